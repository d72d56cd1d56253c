"""How property tests run here.

Timing is never asserted in this suite, so Hypothesis keeps no deadline. Under CI its own `ci` profile is
in force already (the same examples every time); elsewhere every run looks at new ones.
"""

import os

from hypothesis import HealthCheck, settings

settings.register_profile(
    "here", deadline=None, print_blob=True, suppress_health_check=[HealthCheck.too_slow]
)
if "CI" not in os.environ:
    settings.load_profile("here")
