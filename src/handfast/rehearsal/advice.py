"""What to do next after a rehearsal that failed: one step, by what spoiled it first."""

from __future__ import annotations

from handfast.rehearsal.outcome import Outcome
from handfast.rehearsal.scene import Scene

_BY_KIND = {
    "missed": "see where that pose lands (miss and meet in handfast check), then correct the routine or teach it again",
    "dropped": "ask handfast check: grip says what the pads lack, and what would help",
    "slipped": "ask handfast check: grip says what the pads lack, and what would help",
    "tilted": "ask handfast check: grip says what twists the thing, and what would help",
    "crushed": "a weaker gripper servo, a longer lever_mm, or a larger crush_N if the thing bears it",
    "knock": "teach the poses about that moment farther apart; clear in handfast check names the nearest parts",
    "cannot follow": "ask handfast check: lift and pace name the servo; slow it down with pace, or fit a stronger one",
    "misplaced": "see where the last pose lands (miss in handfast check), then correct the routine or teach it again",
    "fallen": "ask handfast check: grip says how each thing stands where it is put down",
    "line broken": "ask handfast check: grip says whether the pen holds still; see that the pad lies where it is led",
}


def next_step(outcome: Outcome, scene: Scene) -> str:
    """One thing to do after a rehearsal that failed, in words; empty after one that worked."""
    if outcome.works:
        return ""
    if any("calibrate first" in note for note in scene.notes):
        return "handfast calibrate: the notes name poses that the bench's figures put in the wrong place"
    first = outcome.events[0]
    said = f"{first.part}, {first.kind}: {_BY_KIND[first.kind]}"
    return said if outcome.way == "corrected" else f"{said}; or rehearse it corrected, as it should be played"
