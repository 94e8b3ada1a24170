# mypy: disable-error-code="no-untyped-def"
"""Inverse kinematics in closed form of the yaw, pitch, pitch, pitch, roll arrangement, every branch.

The yaw turns a vertical plane about the base; three parallel pitch joints work in that plane; the roll turns
the tool about the line of its fingers. Such an arm has five joints, so of the six coordinates of a pose one
is given up: the turn of the fingers out of the plane. It is returned as a residual.

In the plane, a vector is (h, z): h points where the arm leans with a positive turn about the pitch axis.
"""

from __future__ import annotations

import numpy as np

from handfast.kernels import inner, kernel

BRANCHES = 4
"""Two turns of the base times two elbows."""


@inner
def into_travel(angle, low, high):
    """`angle` or a full turn from it, whichever lies inside the travel, else nearest to it."""
    turn = 2.0 * np.pi
    middle = 0.5 * (low + high)
    return angle - turn * np.floor((angle - middle) / turn + 0.5)


@inner
def five_joint_branches(
    p, R, sides, signs, side_shift, column, upper, fore, hand, gamma0, roll_frame, travel, out, residual
):
    """All branches for one target in base axes, the origin at joint 1.

    p (3,), R (3, 3): wanted tool pose. sides (3, 3): rows h, pitch axis y, z at zero pose. signs (5,): +1 or
    -1 by the sense of each joint's axis. column, upper, fore, hand (2,): (h, z) from yaw to first pitch, and
    of the three members. gamma0: direction of the fingers at zero pose, from z towards h. roll_frame (3, 3):
    tool axes at zero pose in (h, y, z). out (4, 5) rad; residual (4, 3): distance that the position is out of
    reach m, turn that is given up rad, travel exceeded rad (negative: rad to the nearest stop).
    """
    ph = sides[0, 0] * p[0] + sides[0, 1] * p[1] + sides[0, 2] * p[2]
    py = sides[1, 0] * p[0] + sides[1, 1] * p[1] + sides[1, 2] * p[2]
    pz = p[2]
    radius = np.sqrt(ph * ph + py * py)
    lean = side_shift / radius if radius > 1e-12 else 0.0
    yaw_short = 0.0
    if abs(lean) > 1.0:
        yaw_short = abs(side_shift) - radius
        lean = 1.0 if lean > 0.0 else -1.0
    aim = np.arctan2(py, ph) if radius > 1e-12 else 0.0
    dip = np.arcsin(lean)
    la = np.sqrt(upper[0] * upper[0] + upper[1] * upper[1])
    lb = np.sqrt(fore[0] * fore[0] + fore[1] * fore[1])
    angle_a, angle_b = np.arctan2(upper[0], upper[1]), np.arctan2(fore[0], fore[1])
    for turn in range(2):
        yaw = aim - dip if turn == 0 else aim - np.pi + dip
        c, s = np.cos(yaw), np.sin(yaw)
        r = c * ph + s * py
        # Rows of the wanted rotation in the turned (h, y, z) axes.
        # W = Rz(-yaw) · sides · R, column by column.
        w = np.empty((3, 3))
        for k in range(3):
            th = sides[0, 0] * R[0, k] + sides[0, 1] * R[1, k] + sides[0, 2] * R[2, k]
            ty = sides[1, 0] * R[0, k] + sides[1, 1] * R[1, k] + sides[1, 2] * R[2, k]
            w[0, k] = c * th + s * ty
            w[1, k] = -s * th + c * ty
            w[2, k] = R[2, k]
        flat = np.sqrt(w[0, 2] * w[0, 2] + w[2, 2] * w[2, 2])
        gamma = np.arctan2(w[0, 2], w[2, 2]) if flat > 1e-9 else gamma0
        pitch = gamma - gamma0
        cp, sp = np.cos(pitch), np.sin(pitch)
        # Turning by `pitch` about y takes z towards h.
        hand_h, hand_z = cp * hand[0] + sp * hand[1], -sp * hand[0] + cp * hand[1]
        wh, wz = r - hand_h - column[0], pz - hand_z - column[1]
        distance = np.sqrt(wh * wh + wz * wz)
        cosine = (distance * distance - la * la - lb * lb) / (2.0 * la * lb)
        short = 0.0
        if cosine > 1.0:
            short, cosine = distance - la - lb, 1.0
        elif cosine < -1.0:
            short, cosine = abs(la - lb) - distance, -1.0
        bend = np.arccos(cosine)
        for elbow in range(2):
            b = 2 * turn + elbow
            beta = bend if elbow == 0 else -bend
            # beta is the angle from the upper member to the fore member, positive towards h.
            toward = np.arctan2(wh, wz) if distance > 1e-12 else 0.0
            first = toward - np.arctan2(lb * np.sin(beta), la + lb * np.cos(beta))
            t1 = first - angle_a
            t2 = beta - (angle_b - angle_a)
            t3 = pitch - t1 - t2
            # The roll turns the tool about its fingers: compare the wanted x and y axes with those at roll 0.
            sine = cosine_sum = 0.0
            for k in range(3):
                xh = cp * roll_frame[0, 0] + sp * roll_frame[2, 0]
                xy = roll_frame[1, 0]
                xz = -sp * roll_frame[0, 0] + cp * roll_frame[2, 0]
                yh = cp * roll_frame[0, 1] + sp * roll_frame[2, 1]
                yy = roll_frame[1, 1]
                yz = -sp * roll_frame[0, 1] + cp * roll_frame[2, 1]
                if k == 0:
                    sine += w[0, 0] * yh - w[0, 1] * xh
                    cosine_sum += w[0, 0] * xh + w[0, 1] * yh
                elif k == 1:
                    sine += w[1, 0] * yy - w[1, 1] * xy
                    cosine_sum += w[1, 0] * xy + w[1, 1] * yy
                else:
                    sine += w[2, 0] * yz - w[2, 1] * xz
                    cosine_sum += w[2, 0] * xz + w[2, 1] * yz
            roll = np.arctan2(sine, cosine_sum)
            out[b, 0] = signs[0] * yaw
            out[b, 1] = signs[1] * t1
            out[b, 2] = signs[2] * t2
            out[b, 3] = signs[3] * t3
            out[b, 4] = signs[4] * roll
            residual[b, 0] = max(short, yaw_short)
            residual[b, 1] = np.arcsin(min(1.0, abs(w[1, 2])))
            worst = -1e30
            for i in range(5):
                out[b, i] = into_travel(out[b, i], travel[i, 0], travel[i, 1])
                worst = max(worst, max(travel[i, 0] - out[b, i], out[b, i] - travel[i, 1]))
            residual[b, 2] = worst


_SHAPE = "f8[:,::1], f8[::1], f8, f8[::1], f8[::1], f8[::1], f8[::1], f8, f8[:,::1], f8[:,::1]"


@kernel(f"void(f8[:,::1], f8[:,:,::1], {_SHAPE}, f8[:,:,::1], f8[:,:,::1])")
def five_joint_kernel(
    p, R, sides, signs, side_shift, column, upper, fore, hand, gamma0, roll_frame, travel, out, residual
):
    """All branches of N targets: out (N, 4, 5), residual (N, 4, 3)."""
    for n in range(p.shape[0]):
        five_joint_branches(
            p[n], R[n], sides, signs, side_shift, column, upper, fore, hand, gamma0, roll_frame, travel,
            out[n], residual[n],
        )  # fmt: skip
