"""Settings for every test: random tests are repeatable and take their time."""

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
