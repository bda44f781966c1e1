"""Settings for every test: random tests are repeatable and take their time."""

import gc
from pathlib import Path

import pytest
from hypothesis import HealthCheck, Phase, settings

settings.register_profile(
    "suite",
    deadline=None,
    derandomize=True,
    max_examples=60,
    phases=[Phase.explicit, Phase.generate, Phase.shrink],
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("suite")


def pytest_collection_finish() -> None:
    """What was loaded stays: the collector need not look through it again and again."""
    gc.collect()
    gc.freeze()


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """With ``-m core`` alone, files without such a test are not even imported."""
    alone = config.getoption("markexpr") == "core" and collection_path.match("test_*.py")
    return True if alone and "mark.core" not in collection_path.read_text("utf-8") else None
