# mypy: disable-error-code="no-untyped-def"
"""How much of a grid two arms reach, a column of heights at a time: one bit for each height."""

from __future__ import annotations

import numpy as np

from handfast.kernels import inner, kernel


@inner
def ones(bits):
    """Number of ones of a non-negative 64-bit integer (Warren, *Hacker's Delight*, chapter 5, from memory)."""
    bits = bits - ((bits >> 1) & 0x5555555555555555)
    bits = (bits & 0x3333333333333333) + ((bits >> 2) & 0x3333333333333333)
    bits = (bits + (bits >> 4)) & 0x0F0F0F0F0F0F0F0F
    # The bytes are summed by shifts: a product would not fit into a signed integer.
    bits = bits + (bits >> 8)
    bits = bits + (bits >> 16)
    bits = bits + (bits >> 32)
    return bits & 0x7F


@kernel("void(i8[:,::1], i8[:,::1], i8[:,::1], i8[:,::1], f8, f8[:,::1], f8[:,:,::1], f8[::1], f8[::1], i8[:,:,::1])")
def shared_kernel(front, back, far_front, far_back, step, travel, at, xs, ys, out):
    """out (M, L, 3): cells reached by the left arm, by the right, by both.

    front, back (L, R) of the left arm and far_front, far_back of the right: bits of the heights that are reached
    at each distance, facing there and over the shoulder; travel (2, 2) rad of the first joints; at (M, 2, 3): x, y, yaw
    of both bases; xs, ys: the grid's columns.
    """
    R = front.shape[1]
    for n in range(at.shape[0]):
        for level in range(front.shape[0]):
            for k in range(3):
                out[n, level, k] = 0
        for a in range(xs.shape[0]):
            for b in range(ys.shape[0]):
                index0 = index1 = R
                ahead0 = behind0 = ahead1 = behind1 = False
                for arm in range(2):
                    dx, dy = xs[a] - at[n, arm, 0], ys[b] - at[n, arm, 1]
                    far = int(np.sqrt(dx * dx + dy * dy) / step + 0.5)
                    if far >= R:
                        continue
                    turn = np.arctan2(dy, dx) - at[n, arm, 2]
                    turn -= 2.0 * np.pi * np.floor(turn / (2.0 * np.pi) + 0.5)
                    over = turn - np.pi if turn > 0.0 else turn + np.pi
                    ahead = travel[arm, 0] <= turn <= travel[arm, 1]
                    behind = travel[arm, 0] <= over <= travel[arm, 1]
                    if arm == 0:
                        index0, ahead0, behind0 = far, ahead, behind
                    else:
                        index1, ahead1, behind1 = far, ahead, behind
                for level in range(front.shape[0]):
                    left = right = 0
                    if index0 < R:
                        left = (front[level, index0] if ahead0 else 0) | (back[level, index0] if behind0 else 0)
                    if index1 < R:
                        right = (far_front[level, index1] if ahead1 else 0) | (
                            far_back[level, index1] if behind1 else 0
                        )
                    if left:
                        out[n, level, 0] += ones(left)
                    if right:
                        out[n, level, 1] += ones(right)
                    if left and right:
                        out[n, level, 2] += ones(left & right)
