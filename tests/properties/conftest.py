"""How long Hypothesis looks: briefly as a rule, longer with HANDFAST_SOAK=1 (make soak)."""

from __future__ import annotations

import os

from hypothesis import settings

# No deadline: the first example of a test may have to load machine code. No database: tests leave no folders.
settings.register_profile("short", deadline=None, database=None, max_examples=60)
settings.register_profile("soak", deadline=None, database=None, max_examples=2000)
settings.load_profile("soak" if os.environ.get("HANDFAST_SOAK") == "1" else "short")
