# mypy: disable-error-code="no-untyped-def"
"""Sine, cosine and the angle of a direction, without branches.

The library's functions do the same, but stop a loop over samples from being compiled to vector instructions.
"""

from __future__ import annotations

import numpy as np

from handfast.kernels import inner


@inner
def sine_cosine(x):
    """Sine and cosine of `x` rad, to about two units in the last place for |x| up to 1e5.

    The nearest multiple of a right angle is taken off in three pieces, so that the rest is as good as `x`
    (Cody & Waite, *Software Manual for the Elementary Functions*, 1980, from memory). The rest, at most 45
    degrees, goes into Taylor's series.
    """
    turns = np.floor(x * (2.0 / np.pi) + 0.5)
    r = ((x - turns * 1.5707963267341256) - turns * 6.077100506303966e-11) - turns * 2.0222662487959506e-21
    w = r * r
    s = w * (1.0 / 6227020800.0 - w * (1.0 / 1307674368000.0 - w * (1.0 / 355687428096000.0)))
    s = w * (1.0 / 120.0 - w * (1.0 / 5040.0 - w * (1.0 / 362880.0 - w * (1.0 / 39916800.0 - s))))
    s = r - r * w * (1.0 / 6.0 - s)
    c = w * (1.0 / 479001600.0 - w * (1.0 / 87178291200.0 - w * (1.0 / 20922789888000.0)))
    c = w * (1.0 / 24.0 - w * (1.0 / 720.0 - w * (1.0 / 40320.0 - w * (1.0 / 3628800.0 - c))))
    c = 1.0 - w * (0.5 - c)
    quarter = turns - 4.0 * np.floor(0.25 * turns)
    sideways = (quarter == 1.0) | (quarter == 3.0)
    sine, cosine = (c if sideways else s), (s if sideways else c)
    return (-sine if quarter >= 2.0 else sine), (-cosine if (quarter == 1.0) | (quarter == 2.0) else cosine)


@inner
def direction_angle(y, x):
    """The angle from the x axis to (x, y), from -π to π rad, to about two units in the last place; 0 at (0, 0).

    By symmetry the slope is brought below 1, by arctan a = 45° + arctan((a - 1)/(a + 1)) below tan 22.5°, and
    what is left goes into the series of the arctangent.
    """
    ax, ay = abs(x), abs(y)
    low, high = min(ax, ay), max(ax, ay)
    a = low / (high if high > 0.0 else 1.0)
    steep = a > 0.4142135623730950
    a = (a - 1.0) / (a + 1.0) if steep else a
    w = a * a
    s = w * (1.0 / 37.0 - w * (1.0 / 39.0 - w * (1.0 / 41.0 - w * (1.0 / 43.0))))
    s = w * (1.0 / 29.0 - w * (1.0 / 31.0 - w * (1.0 / 33.0 - w * (1.0 / 35.0 - s))))
    s = w * (1.0 / 21.0 - w * (1.0 / 23.0 - w * (1.0 / 25.0 - w * (1.0 / 27.0 - s))))
    s = w * (1.0 / 13.0 - w * (1.0 / 15.0 - w * (1.0 / 17.0 - w * (1.0 / 19.0 - s))))
    s = w * (1.0 / 5.0 - w * (1.0 / 7.0 - w * (1.0 / 9.0 - w * (1.0 / 11.0 - s))))
    s = a - a * w * (1.0 / 3.0 - s)
    angle = s + (0.25 * np.pi if steep else 0.0)
    angle = 0.5 * np.pi - angle if ay > ax else angle
    angle = np.pi - angle if x < 0.0 else angle
    return -angle if y < 0.0 else angle
