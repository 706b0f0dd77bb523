"""Shared test settings: derandomised property tests without deadlines."""

from hypothesis import HealthCheck, settings

import yieldsim.kernel.compiled  # noqa: F401 - loaded first, so that a command run in a test does not leave the physics uncompiled

settings.register_profile(
    "ci", derandomize=True, deadline=None, suppress_health_check=[HealthCheck.too_slow], print_blob=True
)
settings.load_profile("ci")
