"""Settings of the test tools. Warnings are errors (pyproject.toml); made-up examples are the same on every run of CI."""

import os
from pathlib import Path

from hypothesis import HealthCheck, settings

for name in [one for one in os.environ if one.startswith("QI_") and not one.startswith(("QI_TEST_", "QI_REQUIRE_"))]:
    del os.environ[name]  # where this machine's own library lies is nothing to the tests

SLOW_IS_NO_FAULT = {"deadline": None, "suppress_health_check": [HealthCheck.too_slow]}
ROOT = Path(__file__).parents[1]
KEPT = next(folder for folder in (ROOT / ".hypothesis", ROOT) if folder.exists())
NOT_KEPT = {} if os.access(KEPT, os.W_OK) else {"database": None}  # examples that failed, for the next run
settings.register_profile("here", **SLOW_IS_NO_FAULT, **NOT_KEPT)
settings.register_profile("ci", derandomize=True, **SLOW_IS_NO_FAULT, database=None)
settings.load_profile("ci" if os.environ.get("CI") else "here")
