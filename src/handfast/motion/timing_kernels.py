# mypy: disable-error-code="no-untyped-def"
"""The fastest sound way along a given joint path, under the torque-speed line of every servo.

Along a path q(s), with x = ṡ² and u = s̈, joint torque is tau = a·u + b·x + c, where a = M q', b = M q'' + the
velocity torques of q', and c holds weight, springs and friction (Lynch & Park, *Modern Robotics*, section
9.4). A servo driving at speed w gives at most stall·(1 - w/w0) and brakes with up to its stall torque, so for a
given x the allowed u form one interval, but the allowed (x, u) form no convex set: x enters by its root.

Backward from rest at the end, the largest x is found at each station from which the next one can still be
met; forward, the largest reachable x below it. The torque is held at BOTH ends of every interval: holding it
at the stations alone lets it run over the line in between.
"""

from __future__ import annotations

import numpy as np

from handfast.kernels import inner, kernel


@inner
def acceleration_range(x, a, b, c, slope, stall, free, out):
    """The allowed u = s̈ at speed ṡ = √x: out[0] <= u <= out[1]; empty if out[0] > out[1]."""
    v = np.sqrt(x)
    low, high = -1e30, 1e30
    for j in range(a.shape[0]):
        w = slope[j] * v
        fade = max(0.0, 1.0 - abs(w) / free[j])
        most = stall[j] * (fade if w > 0.0 else 1.0)
        least = -stall[j] * (fade if w < 0.0 else 1.0)
        rest = b[j] * x + c[j]
        if abs(a[j]) > 1e-12:
            p, q = (least - rest) / a[j], (most - rest) / a[j]
            if p > q:
                p, q = q, p
            low, high = max(low, p), min(high, q)
        elif rest > most + 1e-12 or rest < least - 1e-12:
            low, high = 1e30, -1e30
    out[0], out[1] = low, high


@inner
def joins(x0, x1, ds, i, a, b, c, slope, stall, free, span):
    """Whether the step from √x0 at station i to √x1 at i + 1 keeps inside the line at both its ends."""
    u = (x1 - x0) / (2.0 * ds)
    slack = 1e-9 * (1.0 + abs(u))
    acceleration_range(x0, a[i], b[i], c[i], slope[i], stall, free, span)
    if u < span[0] - slack or u > span[1] + slack:
        return False
    acceleration_range(x1, a[i + 1], b[i + 1], c[i + 1], slope[i + 1], stall, free, span)
    return span[0] - slack <= u <= span[1] + slack


@inner
def leads_on(x0, top, ds, i, a, b, c, slope, stall, free, span):
    """Whether from √x0 at station i some speed between 0 and √top at i + 1 can be met."""
    acceleration_range(x0, a[i], b[i], c[i], slope[i], stall, free, span)
    if span[0] > span[1]:
        return False
    low = max(0.0, x0 + 2.0 * ds * span[0])
    high = min(top, x0 + 2.0 * ds * span[1])
    if low > high:
        return False
    for k in range(5):
        x1 = high + (low - high) * 0.25 * k
        if joins(x0, x1, ds, i, a, b, c, slope, stall, free, span):
            return True
    return False


@kernel("i8(f8, f8[:,::1], f8[:,::1], f8[:,::1], f8[:,::1], f8[::1], f8[::1], f8[::1], f8, f8, f8[::1], f8[::1])")
def fastest_kernel(ds, a, b, c, slope, stall, free, cap, x_start, x_end, top, x):
    """Squared path speeds x (M,) of the fastest sound motion over M stations `ds` apart.

    cap (M,): upper bound of x. x_start, x_end: squared speeds at both ends (0: from and to rest). top (M,):
    the largest x from which the end can still be met. Returns -1, or the station at which none is possible.
    """
    M = a.shape[0]
    span = np.empty(2)
    top[M - 1] = x_end
    for i in range(M - 2, -1, -1):
        high = cap[i]
        if leads_on(high, top[i + 1], ds, i, a, b, c, slope, stall, free, span):
            top[i] = high
            continue
        low = 0.0
        if not leads_on(0.0, top[i + 1], ds, i, a, b, c, slope, stall, free, span):
            # Rest may be impossible here while motion is not: look upwards for a speed that is.
            found = False
            for k in range(1, 65):
                low = high * k / 65.0
                if leads_on(low, top[i + 1], ds, i, a, b, c, slope, stall, free, span):
                    found = True
                    break
            if not found:
                return i
        # Near the speed one station on: most often the answer lies there, so narrow down from it.
        guess = min(high, top[i + 1])
        if low < guess < high and leads_on(guess, top[i + 1], ds, i, a, b, c, slope, stall, free, span):
            low = guess
            step = 0.02 * guess + 1e-9
            while low + step < high:
                if leads_on(low + step, top[i + 1], ds, i, a, b, c, slope, stall, free, span):
                    low += step
                    step *= 2.0
                else:
                    high = low + step
                    break
        for _ in range(40):
            if high - low <= 1e-7 * high:
                break
            middle = 0.5 * (low + high)
            if leads_on(middle, top[i + 1], ds, i, a, b, c, slope, stall, free, span):
                low = middle
            else:
                high = middle
        top[i] = low
    x[0] = min(x_start, top[0])
    for i in range(M - 1):
        acceleration_range(x[i], a[i], b[i], c[i], slope[i], stall, free, span)
        high = min(top[i + 1], x[i] + 2.0 * ds * span[1])
        low = max(0.0, x[i] + 2.0 * ds * span[0])
        if high < low:
            return i
        if joins(x[i], high, ds, i, a, b, c, slope, stall, free, span):
            x[i + 1] = high
            continue
        # The largest next speed that joins: coarse from above, then halved.
        found = False
        best = low
        for k in range(1, 65):
            trial = high + (low - high) * k / 64.0
            if joins(x[i], trial, ds, i, a, b, c, slope, stall, free, span):
                best, found = trial, True
                high = high + (low - high) * (k - 1) / 64.0
                break
        if not found:
            return i
        for _ in range(40):
            if high - best <= 1e-7 * (high + 1e-12):
                break
            middle = 0.5 * (best + high)
            if joins(x[i], middle, ds, i, a, b, c, slope, stall, free, span):
                best = middle
            else:
                high = middle
        x[i + 1] = best
    return -1
