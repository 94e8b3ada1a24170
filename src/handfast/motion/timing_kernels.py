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
def below(v, p, h, r):
    """The largest speed up to v at which p·v² + h·v + r <= 0, given that it is positive at v; -1 if none."""
    if abs(p) * v < 1e-13 * abs(h):
        return -r / h if h > 0.0 and r <= 0.0 else -1.0
    inside = h * h - 4.0 * p * r
    if p == 0.0 or inside < 0.0:
        return -1.0
    # Both roots without cancellation; opening upwards the larger one is meant, opening downwards the smaller.
    t = -0.5 * (h + (np.sqrt(inside) if h >= 0.0 else -np.sqrt(inside)))
    first, second = t / p, (r / t if t != 0.0 else 0.0)
    root = max(first, second) if p > 0.0 else min(first, second)
    return min(root, v) if 0.0 <= root <= v * (1.0 + 1e-12) else -1.0


@inner
def fastest_end(x, x_other, toward, a, b, c, slope, stall, free):
    """The largest squared speed up to x at one end of an interval that keeps this end inside the line; -1: none.

    x_other: squared speed at the interval's other end; toward: 1/(2·ds) if this is the far end, -1/(2·ds) if it
    is the near one, so that u = toward·(x - x_other). In v = √x each bound is a quadratic, a·u + b·v² + c
    against stall·(1 - |slope|·v/free), so the largest v below all of them is found by going down from root to
    root, without a search.
    """
    v = np.sqrt(x)
    for _ in range(100):
        before = v
        for j in range(a.shape[0]):
            p, r = a[j] * toward + b[j], c[j] - a[j] * toward * x_other
            fall = stall[j] * abs(slope[j]) / free[j]
            most = stall[j] * (1.0 + 1e-10)
            up, down = (fall if slope[j] > 0.0 else 0.0), (fall if slope[j] < 0.0 else 0.0)
            torque = p * v * v + r
            if torque + up * v > most:
                v = below(v, p, up, r - stall[j])
                if v < 0.0:
                    return -1.0
                torque = p * v * v + r
            if -torque + down * v > most:
                v = below(v, -p, down, -r - stall[j])
                if v < 0.0:
                    return -1.0
        if v == before:
            return v * v
    return -1.0


@inner
def next_speed(x0, top, ds, i, a, b, c, slope, stall, free, span):
    """The largest squared speed up to `top` at station i + 1 that can follow √x0 at station i; -1 if none.

    The step keeps inside the line at both its ends.
    """
    acceleration_range(x0, a[i], b[i], c[i], slope[i], stall, free, span)
    if span[0] > span[1]:
        return -1.0
    low = max(0.0, x0 + 2.0 * ds * span[0])
    high = min(top, x0 + 2.0 * ds * span[1])
    slack = 1e-12 + 1e-10 * low
    if high < low - slack:
        return -1.0
    x1 = fastest_end(max(high, 0.0), x0, 0.5 / ds, a[i + 1], b[i + 1], c[i + 1], slope[i + 1], stall, free)
    return x1 if x1 >= low - slack else -1.0


@inner
def from_top(cap, top, ds, i, a, b, c, slope, stall, free, span):
    """The largest squared speed up to `cap` at station i from which exactly √top at i + 1 is met; -1 if none."""
    acceleration_range(top, a[i + 1], b[i + 1], c[i + 1], slope[i + 1], stall, free, span)
    if span[0] > span[1]:
        return -1.0
    low = max(0.0, top - 2.0 * ds * span[1])
    high = min(cap, top - 2.0 * ds * span[0])
    if high < low:
        return -1.0
    x0 = fastest_end(high, top, -0.5 / ds, a[i], b[i], c[i], slope[i], stall, free)
    return x0 if x0 >= low else -1.0


@inner
def scan(cap, least, top, ds, i, a, b, c, slope, stall, free, span):
    """The first of 64 squared speeds from `cap` down to `least` at station i that leads on; -1 if none."""
    fast, slow = np.sqrt(cap), np.sqrt(least)
    for k in range(64):
        trial = (fast + (slow - fast) * k / 64.0) ** 2
        if next_speed(trial, top, ds, i, a, b, c, slope, stall, free, span) >= 0.0:
            return trial
    return -1.0


@inner
def controllable(cap, top, ds, i, a, b, c, slope, stall, free, span):
    """The largest squared speed up to `cap` at station i from which some speed up to √top at i + 1 is met."""
    if next_speed(cap, top, ds, i, a, b, c, slope, stall, free, span) >= 0.0:
        return cap
    steady = from_top(cap, top, ds, i, a, b, c, slope, stall, free, span)
    low, high = steady, cap
    if low < 0.5 * min(top, cap):
        # A fall like this is mostly the lower one of two separate ranges: look for the upper one. Where even
        # rest is impossible, motion may yet be possible.
        found = scan(cap, max(low, 0.0), top, ds, i, a, b, c, slope, stall, free, span)
        if found >= 0.0:
            low = found
        elif low < 0.0:
            if next_speed(0.0, top, ds, i, a, b, c, slope, stall, free, span) < 0.0:
                return -1.0
            low = 0.0
    # Going up from here in growing steps, then halving.
    step = 1e-7 * low + 1e-13
    while low + step < high:
        if next_speed(low + step, top, ds, i, a, b, c, slope, stall, free, span) >= 0.0:
            low += step
            step *= 4.0
        else:
            high = low + step
    for _ in range(40):
        if high - low <= 1e-7 * high:
            break
        middle = 0.5 * (low + high)
        if next_speed(middle, top, ds, i, a, b, c, slope, stall, free, span) >= 0.0:
            low = middle
        else:
            high = middle
    # Close under the line the fastest speed here may force a near stop at the next station, where a slower one
    # would not: the two together decide.
    if steady > 0.0:
        after = next_speed(low, top, ds, i, a, b, c, slope, stall, free, span)
        if np.sqrt(low) + np.sqrt(max(after, 0.0)) < np.sqrt(steady) + np.sqrt(top):
            return steady
    return low


@inner
def forward(ds, a, b, c, slope, stall, free, x_start, top, x, span, careful):
    """The largest speeds below `top` from the start on; -1, or the station at which nothing follows.

    Not every speed below `top` leads on: where rest is impossible there is a least one too. `careful` looks one
    station ahead, which is seldom needed.
    """
    M = a.shape[0]
    x[0] = min(x_start, top[0])
    for i in range(M - 1):
        x1 = next_speed(x[i], top[i + 1], ds, i, a, b, c, slope, stall, free, span)
        if x1 < 0.0:
            return i
        if careful and i + 2 < M:
            trial, found = x1, False
            for k in range(257):
                trial = next_speed(x[i], x1 * (1.0 - k / 256.0) ** 2, ds, i, a, b, c, slope, stall, free, span)
                if trial < 0.0:
                    break
                if next_speed(trial, top[i + 2], ds, i + 1, a, b, c, slope, stall, free, span) >= 0.0:
                    found = True
                    break
            if not found:
                return i
            x1 = trial
        x[i + 1] = x1
    return -1


@inner
def softened(cap, ds, a, b, c, slope, stall, free, top, x, span):
    """Lower `cap` where the next station nearly stops because its forerunner was too fast; how many there are.

    Where the load leaves a servo little speed, the torque left over falls so steeply with speed that arriving
    at the largest speed leaves none for the next station. A lower speed makes both together faster.
    """
    count = 0
    for i in range(1, a.shape[0] - 2):
        if x[i + 1] >= 0.8 * x[i]:
            continue
        trial = next_speed(0.98 * x[i], top[i + 1], ds, i, a, b, c, slope, stall, free, span)
        if trial < 1.001 * x[i + 1]:
            continue
        low, high = 0.0, x[i]
        for _ in range(40):
            first, second = low + (high - low) / 3.0, high - (high - low) / 3.0
            y = next_speed(first, top[i + 1], ds, i, a, b, c, slope, stall, free, span)
            z = next_speed(second, top[i + 1], ds, i, a, b, c, slope, stall, free, span)
            if np.sqrt(first) + np.sqrt(max(y, 0.0)) > np.sqrt(second) + np.sqrt(max(z, 0.0)):
                high = second
            else:
                low = first
        y = next_speed(low, top[i + 1], ds, i, a, b, c, slope, stall, free, span)
        if y > 0.0 and np.sqrt(low) + np.sqrt(y) > 1.001 * (np.sqrt(x[i]) + np.sqrt(x[i + 1])):
            cap[i] = low
            count += 1
    return count


@kernel("i8(f8, f8[:,::1], f8[:,::1], f8[:,::1], f8[:,::1], f8[::1], f8[::1], f8[::1], f8, f8, f8[::1], f8[::1])")
def fastest_kernel(ds, a, b, c, slope, stall, free, cap, x_start, x_end, top, x):
    """Squared path speeds x (M,) of the fastest sound motion over M stations `ds` apart.

    cap (M,): upper bound of x. x_start, x_end: squared speeds at both ends (0: from and to rest). top (M,):
    the largest x from which the end can still be met. Returns -1, or the station at which none is possible.
    """
    M = a.shape[0]
    span = np.empty(2)
    most = cap.copy()
    stuck = -1
    for _ in range(8):
        top[M - 1] = x_end
        for i in range(M - 2, -1, -1):
            top[i] = controllable(most[i], top[i + 1], ds, i, a, b, c, slope, stall, free, span)
            if top[i] < 0.0:
                return i
        stuck = forward(ds, a, b, c, slope, stall, free, x_start, top, x, span, False)
        if stuck >= 0:
            stuck = forward(ds, a, b, c, slope, stall, free, x_start, top, x, span, True)
        if stuck >= 0 or softened(most, ds, a, b, c, slope, stall, free, top, x, span) == 0:
            break
    return stuck
