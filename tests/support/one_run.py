"""One run of every kernel of the mechanics on small unlike arms: `python one_run.py FILE` keeps the numbers.

Compiled or plain, as HANDFAST_PLAIN says.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path.insert(0, str(Path(__file__).parents[1]))

from handfast.mechanics.clearance import clearances, survey
from handfast.mechanics.dynamics import inverse_dynamics
from handfast.mechanics.inverse import solve
from handfast.mechanics.kinematics import places, tool_poses
from support.arms import Y, Z, one_arm, random_bodies, random_pair


def one_run() -> dict[str, np.ndarray]:
    """Every result by name."""
    rng = np.random.default_rng(20)
    pair = random_pair(rng)
    bodies = random_bodies(rng, pair)
    q, qd, qdd = (rng.normal(size=(3, pair.joints)) for _ in range(3))
    loads, offsets = rng.uniform(0, 0.2, (3, 2)), rng.normal(size=(3, 2, 3)) * 0.03
    tau, J, gaps = survey(pair, bodies, q, qd, qdd, loads, offsets)
    here = places(pair, q)
    five = one_arm(
        [Z, Y, Y, Y, Z], np.array([(0, 0, 0.04), (0, 0, 0.03), (0, 0, 0.1), (0, 0, 0.1), (0, 0, 0)]), [0, 0, 0.1]
    )
    six = one_arm([Z, Y, Y, Z, Y, Z], np.full((6, 3), (0, 0, 0.06)), [0, 0, 0.1])
    target = tool_poses(six, np.full(6, 0.4))[:, 0]
    return {
        "tau": tau,
        "J": J,
        "gaps": gaps,
        "R": here.R,
        "p": here.p,
        "X_WT": here.X_WT,
        "torques alone": inverse_dynamics(pair, q, qd, qdd, loads, offsets),
        "gaps alone": clearances(pair, bodies, q),
        "closed form": solve(five, tool_poses(five, np.full(5, 0.3))[:, 0]).q,
        "general": solve(six, target, near=np.full(6, 0.2)).q,
    }


if __name__ == "__main__":
    np.savez(sys.argv[1], **one_run())
