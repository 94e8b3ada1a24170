"""How hard two pads must press to hold a thing: weight and motion, twist, tilt, and grooves.

Soft fingers: a pad of radius a that presses with N bears a pull f along its face and a twist m about its normal
together if (f/(µN))² + (m/(⅔aµN))² <= 1, the ellipsoid that stands in for the limit surface of an evenly pressed disc
(Howe & Cutkosky, International Journal of Robotics Research 15(6), 1996). Two pads bear twice that.
"""

from __future__ import annotations

import numpy as np

from handfast.geometry.rigid import Array

DISC = 2.0 / 3.0
"""Mean arm of friction on an evenly pressed disc, share of its radius."""

WALLS = 0.5
"""Arm of the couple of a groove's walls: share of the pad's radius, times the cotangent of half their angle."""

PIVOT_FREE = 2e-3
"""Twist about a pivoting pad's pin that friction there still bears, N·m; more turns the thing away (common practice, no
source)."""

PEN_PRESSED = 0.0015
"""How far a pen is led into what it writes on, m (common practice, no source)."""

PAPER_STIFFNESS = 300.0
"""Of what lies under the paper, N/m: 3 mm per newton, a soft mat (common practice, no source)."""

PEN_FRICTION = 0.3
"""Pen on paper (common practice, no source)."""


def groove_friction(friction: float, groove: float) -> float:
    """Friction of a V-groove of included angle `groove` rad as that of a flat pad: µ / sin of half of it.

    The two walls share the push with 1/sin of half the angle between them (wedge, statics). 0: a flat pad.
    """
    return friction if groove <= 0.0 else friction / float(np.sin(0.5 * groove))


def twist_arm(friction: float, pad: float, groove: float) -> float:
    """Twist about its normal that one pad bears, per newton of press, m.

    Flat: friction on a disc. In a groove also its walls, without any friction: at each half of the pad's length, a/2
    from its middle, half the press can go over to one wall, which pushes sideways by the cotangent of half the angle.
    """
    flat = DISC * pad * groove_friction(friction, groove)
    return flat if groove <= 0.0 else flat + WALLS * pad / float(np.tan(0.5 * groove))


def needed_press(
    pull: Array, push: Array, twist: Array, tilt: Array, friction: float, pad: float, groove: float = 0.0,
    pivot: bool = False,
) -> Array:  # fmt: skip
    """Least force (N,), N, with which each of two pads has to press.

    pull N along the pads' faces; push N along the line on which they close; twist N·m about that line; tilt N·m about
    lines in the faces, borne by the press going over to one edge, at most `pad` m from the middle; friction of pad and
    thing; groove rad; pivot: pads that turn freely bear no twist and need not where nothing asks for it.
    """
    mu = groove_friction(friction, groove)
    arm = twist_arm(friction, pad, groove) / mu
    slip = np.hypot(pull, np.zeros_like(twist) if pivot else twist / arm) / (2.0 * mu)
    # A push along the line takes its half off one pad's press and adds it to the other's.
    edge = np.abs(tilt) / (2.0 * pad)
    result: Array = np.maximum(slip + 0.5 * np.abs(push), edge + 0.5 * np.abs(push))
    if pivot:
        result = np.where(np.abs(twist) > PIVOT_FREE, np.inf, result)
    return result
