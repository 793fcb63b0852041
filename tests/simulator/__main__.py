"""Rebuild the sample cases: python -m tests.simulator sample_cases"""

import argparse
from pathlib import Path

from tests.simulator.cases import build


def main() -> None:
    """Parse the call, build, say what was made."""
    parser = argparse.ArgumentParser(
        prog="python -m tests.simulator", description="Rebuild the invented sample cases from their seeds."
    )
    parser.add_argument("folder", type=Path, help="folder that holds the case folders, for example sample_cases")
    for folder in build(parser.parse_args().folder):
        size = sum(file.stat().st_size for file in folder.iterdir())
        print(f"{folder}: {', '.join(sorted(file.name for file in folder.iterdir()))}; {size / 1e6:.2f} MB")


if __name__ == "__main__":
    main()
