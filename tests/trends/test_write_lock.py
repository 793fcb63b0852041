"""One writer at a time: another thread and another program wait, and nothing is left behind."""

import subprocess
import sys
import threading

from qi.trends import write_lock

OTHER = """
import sys
from pathlib import Path
from qi.trends.write_lock import alone
print("ready", flush=True)
with alone(Path(sys.argv[1])):
    print("in", flush=True)
"""


def test_another_program_waits_until_the_block_ends(tmp_path):
    with write_lock.alone(tmp_path):
        other = subprocess.Popen([sys.executable, "-c", OTHER, str(tmp_path)], stdout=subprocess.PIPE, text=True)
        assert other.stdout.readline() == "ready\n"
        said = []
        reader = threading.Thread(target=lambda: said.append(other.stdout.readline()))
        reader.start()
        reader.join(0.5)
        assert said == []
    reader.join(60)
    other.communicate(timeout=60)
    assert said == ["in\n"]
    assert list(tmp_path.iterdir()) == []


def test_many_threads_write_one_after_another(tmp_path):
    """Each reads a number, waits a little, and writes one more: none of them may be lost."""
    count = tmp_path / "count"
    count.write_text("0", encoding="utf-8")

    def add():
        for _ in range(20):
            with write_lock.alone(tmp_path / "table"):
                count.write_text(str(int(count.read_text(encoding="utf-8")) + 1), encoding="utf-8")

    threads = [threading.Thread(target=add) for _ in range(6)]
    for one in threads:
        one.start()
    for one in threads:
        one.join(60)
    assert count.read_text(encoding="utf-8") == "120"


def test_what_breaks_off_lets_the_next_one_in(tmp_path):
    try:
        with write_lock.alone(tmp_path):
            raise RuntimeError
    except RuntimeError:
        pass
    with write_lock.alone(tmp_path):
        assert [path.name for path in tmp_path.iterdir()] == [write_lock.NAME]
