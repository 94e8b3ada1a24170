# mypy: disable-error-code="no-untyped-def"
"""Inverse kinematics of any serial arm: damped least squares on the body twist, inside the joints' travel.

Levenberg's damping, raised when a step fails and lowered when it helps (Lynch & Park, *Modern Robotics*,
section 6.2 gives the undamped form; Nocedal & Wright, *Numerical Optimization*, 2nd ed., section 10.3 the
damping). Joint travel is held by clamping each step and leaving out joints that push against their stops.

A target is tried from a few starts: those of a table of poses spread over the travel that come nearest to it.
A descent that has become slow far from the goal ends in a local minimum and is given up; only the best of
those that fail is followed to its end.
"""

from __future__ import annotations

import numpy as np

from handfast.kernels import inner, kernel
from handfast.mechanics.chain_kernels import jacobian, place, turned, world_axes


@inner
def turn_vector(A, B, out):
    """The rotation vector, in world axes, that turns A onto B."""
    # D = B Aᵀ; by way of its unit quaternion, accurate up to half a turn.
    D = np.empty((3, 3))
    for r in range(3):
        for c in range(3):
            D[r, c] = B[r, 0] * A[c, 0] + B[r, 1] * A[c, 1] + B[r, 2] * A[c, 2]
    t = D[0, 0] + D[1, 1] + D[2, 2]
    if t >= D[0, 0] and t >= D[1, 1] and t >= D[2, 2]:
        w, x, y, z = 1.0 + t, D[2, 1] - D[1, 2], D[0, 2] - D[2, 0], D[1, 0] - D[0, 1]
    elif D[0, 0] >= D[1, 1] and D[0, 0] >= D[2, 2]:
        w, x, y, z = D[2, 1] - D[1, 2], 1.0 + 2.0 * D[0, 0] - t, D[0, 1] + D[1, 0], D[0, 2] + D[2, 0]
    elif D[1, 1] >= D[2, 2]:
        w, x, y, z = D[0, 2] - D[2, 0], D[0, 1] + D[1, 0], 1.0 + 2.0 * D[1, 1] - t, D[1, 2] + D[2, 1]
    else:
        w, x, y, z = D[1, 0] - D[0, 1], D[0, 2] + D[2, 0], D[1, 2] + D[2, 1], 1.0 + 2.0 * D[2, 2] - t
    if w < 0.0:
        w, x, y, z = -w, -x, -y, -z
    size = np.sqrt(x * x + y * y + z * z)
    scale = 2.0 * np.arctan2(size, w) / size if size > 1e-300 else 0.0
    out[0], out[1], out[2] = x * scale, y * scale, z * scale


@inner
def solve_in_place(A, b, m):
    """Solve the symmetric positive definite m × m system A x = b by Cholesky; the answer is left in b."""
    for i in range(m):
        for j in range(i + 1):
            total = A[i, j]
            for k in range(j):
                total -= A[i, k] * A[j, k]
            if i == j:
                A[i, i] = np.sqrt(max(total, 1e-300))
            else:
                A[i, j] = total / A[j, j]
    for i in range(m):
        total = b[i]
        for k in range(i):
            total -= A[i, k] * b[k]
        b[i] = total / A[i, i]
    for i in range(m - 1, -1, -1):
        total = b[i]
        for k in range(i + 1, m):
            total -= A[k, i] * b[k]
        b[i] = total / A[i, i]


@inner
def error_of(R, p, tool, tool_turn, p_goal, R_goal, weights, tips, R_T, error):
    """Weighted error (6,) of the last link's tool from the goal; half its square is returned.

    weights (3,): on position (1/m), on the direction of the fingers, and on the turn about the fingers.
    """
    turned(R, tool, tips[0])
    for r in range(3):
        tips[0, r] += p[r]
        for c in range(3):
            R_T[r, c] = R[r, 0] * tool_turn[0, c] + R[r, 1] * tool_turn[1, c] + R[r, 2] * tool_turn[2, c]
    turn_vector(R_T, R_goal, error[:3])
    about = 0.0
    for r in range(3):
        about += error[r] * R_T[r, 2]
    total = 0.0
    for r in range(3):
        across = error[r] - about * R_T[r, 2]
        error[r] = weights[1] * across + weights[2] * about * R_T[r, 2]
        error[3 + r] = weights[0] * (p_goal[r] - tips[0, r])
        total += error[r] * error[r] + error[3 + r] * error[3 + r]
    return 0.5 * total


@inner
def unlikeness(weights, p, R, p_goal, R_goal):
    """How far a pose is from the goal: twice `error_of` for small turns, without any angle to work out."""
    along = R[0, 2] * R_goal[0, 2] + R[1, 2] * R_goal[1, 2] + R[2, 2] * R_goal[2, 2]
    trace = squared = 0.0
    for r in range(3):
        squared += (p_goal[r] - p[r]) ** 2
        for c in range(3):
            trace += R[r, c] * R_goal[r, c]
    across, about = 2.0 * (1.0 - along), 3.0 - trace
    return weights[0] ** 2 * squared + weights[1] ** 2 * across + weights[2] ** 2 * about


@inner
def weigh(weights, R_T, J):
    """Turn the Jacobian rows (angular, linear) of one arm into those of the weighted error."""
    for i in range(J.shape[0]):
        along = J[i, 0] * R_T[0, 2] + J[i, 1] * R_T[1, 2] + J[i, 2] * R_T[2, 2]
        for r in range(3):
            across = J[i, r] - along * R_T[r, 2]
            J[i, r] = weights[1] * across + weights[2] * along * R_T[r, 2]
            J[i, 3 + r] *= weights[0]


@inner
def damped_step(J, e, q, travel, damping, free, A, g, q_new):
    """One step of damped least squares from q, q_new (K,), at most half a rad and inside the travel."""
    m = 0
    for i in range(q.shape[0]):
        q_new[i] = q[i]
        pull = 0.0
        for r in range(6):
            pull += J[i, r] * e[r]
        stuck = (q[i] <= travel[i, 0] and pull < 0.0) or (q[i] >= travel[i, 1] and pull > 0.0)
        if not stuck:
            free[m] = i
            g[m] = pull
            m += 1
    for a in range(m):
        for b in range(a + 1):
            total = 0.0
            for r in range(6):
                total += J[free[a], r] * J[free[b], r]
            A[a, b] = total
        A[a, a] += damping * (A[a, a] + 1e-6)
    solve_in_place(A, g, m)
    for a in range(m):
        i = free[a]
        q_new[i] = min(max(q[i] + min(max(g[a], -0.5), 0.5), travel[i, 0]), travel[i, 1])


_CHAIN = "i8[::1], f8[:,:,::1], f8[:,::1], f8[:,::1], f8[::1], f8[:,::1], f8[:,::1]"
_POSES = "f8[:,::1], f8[:,:,::1]"


@kernel(f"void({_CHAIN}, {_POSES}, f8[::1], f8[:,::1], f8[:,::1], {_POSES}, i8, f8, f8, f8[:,::1], f8[:,::1])")
def solver_kernel(
    first, bases, offsets, axes, tool, tool_turn, travel, p, R, weights, near, table, table_p, table_R,
    tries, loyalty, good, out, residual,
):  # fmt: skip
    """Solve N targets p (N, 3), R (N, 3, 3) for one arm, trying starts until the error is `good`.

    The first start is near[n], where near (N, K) is not empty; then come those of table (S, K) whose poses
    table_p (S, 3), table_R (S, 3, 3) are nearest, `tries` starts in all. What is found from near[n] is left
    only for less than `loyalty` times its squared error, or paths would jump about. out (N, K): the best solution.
    residual (N, 3): position m, turn of what was asked rad, half squared error.
    """
    K, S = offsets.shape[0], table.shape[0]
    Rl, pl, z = np.empty((K, 3, 3)), np.empty((K, 3)), np.empty((K, 3))
    tips, R_T, J = np.empty((1, 3)), np.empty((3, 3)), np.empty((K, 6))
    e, e_new, about = np.empty(6), np.empty(6), np.empty(3)
    A, g, q, q_new = np.empty((K, K)), np.empty(K), np.empty(K), np.empty(K)
    free = np.empty(K, dtype=np.int64)
    far = np.empty(S)
    for n in range(p.shape[0]):
        residual[n, 2] = 1e300
        ranked = at_hand = False
        for t in range(tries + 1):
            # The last round follows the best so far to its end.
            to_the_end = t == tries
            if to_the_end:
                q[:] = out[n]
            elif t == 0 and near.shape[0] > 0:
                q[:] = near[n]
            else:
                if not ranked:
                    for s in range(S):
                        far[s] = unlikeness(weights, table_p[s], table_R[s], p[n], R[n])
                    ranked = True
                nearest = np.argmin(far)
                far[nearest] = np.inf
                q[:] = table[nearest]
            for i in range(K):
                q[i] = min(max(q[i], travel[i, 0]), travel[i, 1])
            damping, slow = 1e-3, 0
            place(first, bases, offsets, axes, q, Rl, pl)
            cost = error_of(Rl[K - 1], pl[K - 1], tool, tool_turn, p[n], R[n], weights, tips, R_T, e)
            for _ in range(200 if to_the_end else 40):
                if cost < good or slow >= 3:
                    break
                world_axes(first, Rl, axes, z)
                jacobian(first, pl, z, tips, J)
                weigh(weights, R_T, J)
                before = cost
                for _try in range(8):
                    damped_step(J, e, q, travel, damping, free, A, g, q_new)
                    place(first, bases, offsets, axes, q_new, Rl, pl)
                    cost_new = error_of(Rl[K - 1], pl[K - 1], tool, tool_turn, p[n], R[n], weights, tips, R_T, e_new)
                    if cost_new < cost:
                        cost = cost_new
                        q[:] = q_new
                        e[:] = e_new
                        damping = max(damping * 0.2, 1e-12)
                        break
                    damping = min(damping * 8.0, 1e8)
                gain = (before - cost) / before
                if gain < 1e-8:
                    break
                slow = slow + 1 if gain < 0.05 and not to_the_end else 0
            if cost < (loyalty if at_hand and not to_the_end else 1.0) * residual[n, 2]:
                residual[n, 2] = cost
                out[n] = q
                at_hand = t == 0 and near.shape[0] > 0
            if residual[n, 2] < good:
                break
        place(first, bases, offsets, axes, out[n], Rl, pl)
        error_of(Rl[K - 1], pl[K - 1], tool, tool_turn, p[n], R[n], weights, tips, R_T, e)
        position = turn = 0.0
        for r in range(3):
            position += (p[n, r] - tips[0, r]) ** 2
        turn_vector(R_T, R[n], about)
        along = about[0] * R_T[0, 2] + about[1] * R_T[1, 2] + about[2] * R_T[2, 2]
        for r in range(3):
            across = about[r] - along * R_T[r, 2]
            part = 0.0
            if weights[1] > 0.0:
                part += across
            if weights[2] > 0.0:
                part += along * R_T[r, 2]
            turn += part * part
        residual[n, 0] = np.sqrt(position)
        residual[n, 1] = np.sqrt(turn)
