"""`handfast score` on a bench that was measured and corrected: what it says is what is truly left."""

from __future__ import annotations

import json

from handfast.bench.new import new_bench
from support.commands import handfast

SEED = "1"


def test_what_is_left_after_correction_is_scored_as_such(tmp_path):
    """Where a TCP should be is where the hand had it, play and give of the limp arm included: points that truly land
    within a millimetre or two are not scored as three or four off, as they were against bare feedback."""
    bench = new_bench(tmp_path / "bench").root
    for words in (("calibrate", "--simulated", SEED, "--apply"), ("correct", "pass-pot")):
        done = handfast(*words, cwd=bench)
        assert done.returncode == 0, done.stderr
    done = handfast("score", "--simulated", SEED, "--routine", "pass-pot", "--json", cwd=bench)
    assert done.returncode == 0, done.stderr
    assert 0.3 < json.loads(done.stdout)["rms_mm"] < 1.6
