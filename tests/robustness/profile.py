"""How long property tests search: few rounds by default, `VIBEKIT_FUZZ_ROUNDS` times as many where that is set."""

from __future__ import annotations

import os

from hypothesis import HealthCheck, settings

MORE = max(1, int(os.environ.get("VIBEKIT_FUZZ_ROUNDS", "1")))

ROUNDS = settings(max_examples=25 * MORE, deadline=None, suppress_health_check=list(HealthCheck))
SLOW_ROUNDS = settings(ROUNDS, max_examples=5 * MORE)
