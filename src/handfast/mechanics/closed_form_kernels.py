# mypy: disable-error-code="no-untyped-def"
"""Inverse kinematics in closed form of the yaw, pitch, pitch, pitch, roll arrangement, every branch.

The yaw turns a vertical plane about the base; three parallel pitch joints work in that plane; the roll turns
the tool about the line of its fingers. Such an arm has five joints, so of the six coordinates of a pose one
is given up: the turn of the fingers out of the plane. It is returned as a residual.

In the plane, a vector is (h, z): h points where the arm leans with a positive turn about the pitch axis. As in
`survey_kernels`, a block of LANES targets is worked on together, and nothing in the innermost loop branches.
"""

from __future__ import annotations

import numpy as np

from handfast.geometry.angle_kernels import direction_angle
from handfast.geometry.distance_kernels import clamped
from handfast.kernels import inner, kernel

BRANCHES = 4
"""Two turns of the base times two elbows."""

LANES = 32
"""Targets in a block."""


@inner
def into_travel(angle, low, high):
    """`angle` or a full turn from it, whichever lies inside the travel, else nearest to it."""
    turn = 2.0 * np.pi
    middle = 0.5 * (low + high)
    return angle - turn * np.floor((angle - middle) / turn + 0.5)


@inner
def beyond_travel(angle, low, high):
    """How far `angle` is outside the travel; negative inside."""
    return max(low - angle, angle - high)


@inner
def planar_arm(h, z, la, lb):
    """Two members la, lb that reach for (h, z): the direction of the upper one for a straight arm, from z to h,
    how far it is turned back from there, the bend between the two, and how far (h, z) is out of their reach."""
    distance = np.sqrt(h * h + z * z)
    cosine = clamped((distance * distance - la * la - lb * lb) / (2.0 * la * lb), -1.0, 1.0)
    sine = np.sqrt((1.0 - cosine) * (1.0 + cosine))
    short = max(max(distance - la - lb, abs(la - lb) - distance), 0.0)
    toward = direction_angle(h, z)
    back = direction_angle(lb * sine, la + lb * cosine)
    return toward, back, direction_angle(sine, cosine), short


_SHAPE = "f8[:,::1], f8[::1], f8, f8[::1], f8[::1], f8[::1], f8[::1], f8, f8[:,::1], f8[:,::1]"


@kernel(f"void(f8[:,:,::1], f8[:,::1], f8[::1], {_SHAPE}, f8[:,:,::1], f8[:,:,::1])")
def five_joint_kernel(
    X_WT, base, origin, sides, signs, side_shift, column, upper, fore, hand, gamma0, roll_frame, travel, out, residual
):
    """All branches for N wanted tool poses X_WT (N, 4, 4) of an arm whose base stands at `base` (4, 4).

    origin (3,): joint 1 in the base. sides (3, 3): rows h, pitch axis y, z at zero pose. signs (5,): +1 or -1 by
    the sense of each joint's axis. side_shift: of the TCP along the pitch axis. column, upper, fore, hand (2,):
    (h, z) from yaw to first pitch, and of the three members. gamma0: direction of the fingers at zero pose, from
    z towards h. roll_frame (3, 3): tool axes at zero pose in (h, y, z). out (N, 4, 5) rad; residual (N, 4, 3):
    distance that the position is out of reach m, turn that is given up rad, travel exceeded rad (negative: rad to
    the nearest stop).
    """
    N = X_WT.shape[0]
    X, B = np.empty((3, 4, LANES)), np.empty((BRANCHES, 8, LANES))
    A = np.empty((3, 4))  # rows h, y, z at zero pose, and joint 1, in world axes
    for r in range(3):
        A[r, 3] = base[r, 3] + base[r, 0] * origin[0] + base[r, 1] * origin[1] + base[r, 2] * origin[2]
        for c in range(3):
            A[r, c] = sides[r, 0] * base[c, 0] + sides[r, 1] * base[c, 1] + sides[r, 2] * base[c, 2]
    hx, hy, hz, yx, yy, yz, zx, zy, zz = A[0, 0], A[0, 1], A[0, 2], A[1, 0], A[1, 1], A[1, 2], A[2, 0], A[2, 1], A[2, 2]
    ox, oy, oz = A[0, 3], A[1, 3], A[2, 3]
    la, lb = np.sqrt(upper[0] ** 2 + upper[1] ** 2), np.sqrt(fore[0] ** 2 + fore[1] ** 2)
    angle_a = np.arctan2(upper[0], upper[1])
    angle_ab = np.arctan2(fore[0], fore[1]) - angle_a
    column_h, column_z, hand_h, hand_z = column[0], column[1], hand[0], hand[1]
    cos0, sin0 = np.cos(gamma0), np.sin(gamma0)
    f00, f01, f10, f11, f20, f21 = (
        roll_frame[0, 0], roll_frame[0, 1], roll_frame[1, 0], roll_frame[1, 1], roll_frame[2, 0], roll_frame[2, 1],
    )  # fmt: skip
    for start in range(0, N, LANES):
        lanes = min(LANES, N - start)
        for n in range(lanes):
            for r in range(3):
                for c in range(4):
                    X[r, c, n] = X_WT[start + n, r, c]
        for turn in range(2):
            flip = 1.0 - 2.0 * turn
            for n in range(lanes):
                px, py, pz = X[0, 3, n] - ox, X[1, 3, n] - oy, X[2, 3, n] - oz
                ph, py, pz = hx * px + hy * py + hz * pz, yx * px + yy * py + yz * pz, zx * px + zy * py + zz * pz
                # The yaw: the TCP stands beside the plane by side_shift; the arm may also lean over backwards.
                radius = np.sqrt(ph * ph + py * py)
                beside = max(abs(side_shift) - radius, 0.0)
                lean = clamped(side_shift / max(radius, 1e-300), -1.0, 1.0)
                upright = flip * np.sqrt((1.0 - lean) * (1.0 + lean))
                ca, sa = (ph / radius if radius > 1e-12 else 1.0), (py / radius if radius > 1e-12 else 0.0)
                c, s = ca * upright + sa * lean, sa * upright - ca * lean
                r = c * ph + s * py
                # The wanted rotation, column by column, in the turned (h, y, z) axes.
                x0, x1, x2 = X[0, 0, n], X[1, 0, n], X[2, 0, n]
                th, ty = hx * x0 + hy * x1 + hz * x2, yx * x0 + yy * x1 + yz * x2
                w00, w10, w20 = c * th + s * ty, -s * th + c * ty, zx * x0 + zy * x1 + zz * x2
                x0, x1, x2 = X[0, 1, n], X[1, 1, n], X[2, 1, n]
                th, ty = hx * x0 + hy * x1 + hz * x2, yx * x0 + yy * x1 + yz * x2
                w01, w11, w21 = c * th + s * ty, -s * th + c * ty, zx * x0 + zy * x1 + zz * x2
                x0, x1, x2 = X[0, 2, n], X[1, 2, n], X[2, 2, n]
                th, ty = hx * x0 + hy * x1 + hz * x2, yx * x0 + yy * x1 + yz * x2
                w02, w12, w22 = c * th + s * ty, -s * th + c * ty, zx * x0 + zy * x1 + zz * x2
                # The sum of the pitches, from the direction of the fingers in the plane.
                flat = np.sqrt(w02 * w02 + w22 * w22)
                sin_g, cos_g = (w02 / flat if flat > 1e-9 else sin0), (w22 / flat if flat > 1e-9 else cos0)
                cp, sp = cos_g * cos0 + sin_g * sin0, sin_g * cos0 - cos_g * sin0
                pitch = direction_angle(sp, cp)
                # Turning by `pitch` about y takes z towards h.
                wh = r - cp * hand_h - sp * hand_z - column_h
                wz = pz + sp * hand_h - cp * hand_z - column_z
                toward, back, bend, short = planar_arm(wh, wz, la, lb)
                short = np.sqrt(short * short + beside * beside)
                # The roll turns the tool about its fingers: compare its x and y axes with those at roll 0.
                xh, xz = cp * f00 + sp * f20, -sp * f00 + cp * f20
                yh, y_z = cp * f01 + sp * f21, -sp * f01 + cp * f21
                sine = w00 * yh - w01 * xh + w10 * f11 - w11 * f10 + w20 * y_z - w21 * xz
                cosine = w00 * xh + w01 * yh + w10 * f10 + w11 * f11 + w20 * xz + w21 * y_z
                yaw, roll = signs[0] * direction_angle(s, c), signs[4] * direction_angle(sine, cosine)
                yaw = into_travel(yaw, travel[0, 0], travel[0, 1])
                roll = into_travel(roll, travel[4, 0], travel[4, 1])
                ends = max(
                    beyond_travel(yaw, travel[0, 0], travel[0, 1]), beyond_travel(roll, travel[4, 0], travel[4, 1])
                )
                given_up = direction_angle(abs(w12), flat)
                for elbow in range(2):
                    side = 1.0 - 2.0 * elbow
                    t1 = toward - side * back - angle_a
                    t2 = side * bend - angle_ab
                    t3 = pitch - t1 - t2
                    t1 = into_travel(signs[1] * t1, travel[1, 0], travel[1, 1])
                    t2 = into_travel(signs[2] * t2, travel[2, 0], travel[2, 1])
                    t3 = into_travel(signs[3] * t3, travel[3, 0], travel[3, 1])
                    b = 2 * turn + elbow
                    B[b, 0, n], B[b, 1, n], B[b, 2, n], B[b, 3, n], B[b, 4, n] = yaw, t1, t2, t3, roll
                    B[b, 5, n], B[b, 6, n] = short, given_up
                    B[b, 7, n] = max(
                        max(ends, beyond_travel(t1, travel[1, 0], travel[1, 1])),
                        max(
                            beyond_travel(t2, travel[2, 0], travel[2, 1]), beyond_travel(t3, travel[3, 0], travel[3, 1])
                        ),
                    )
        for n in range(lanes):
            for b in range(BRANCHES):
                for i in range(5):
                    out[start + n, b, i] = B[b, i, n]
                for i in range(3):
                    residual[start + n, b, i] = B[b, 5 + i, n]


@kernel("void(f8[:,:,::1], f8[:,:,::1], f8[:,::1], f8[:,::1], f8[:,::1])")
def best_branch_kernel(branches, residuals, near, out, residual):
    """The best of the branches (N, 4, 5) of N targets, out (N, 5), and its residual (N, 3).

    Among those that reach, the one nearest to near (N, 5), or where near is empty the one farthest from the
    stops; a turn that is given up counts against it. Those that do not reach by how far they miss.
    """
    for n in range(branches.shape[0]):
        best, lowest = 0, np.inf
        for b in range(branches.shape[1]):
            missed = residuals[n, b, 0] + max(residuals[n, b, 2], 0.0)
            if missed > 1e-9:
                cost = 1e3 + 1e3 * missed
            elif near.shape[0] == 0:
                cost = residuals[n, b, 2] + residuals[n, b, 1]
            else:
                cost = residuals[n, b, 1]
                away = 0.0
                for i in range(branches.shape[2]):
                    away = max(away, abs(branches[n, b, i] - near[n, i]))
                cost += away
            if cost < lowest:
                best, lowest = b, cost
        out[n] = branches[n, best]
        residual[n] = residuals[n, best]
