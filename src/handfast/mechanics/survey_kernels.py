# mypy: disable-error-code="no-untyped-def"
"""Many samples of a pair of serial arms: places, torques, Jacobians and clearances, in world axes.

All link frames are parallel to their arm's base at zero pose, so a chain is three lists: offsets, axes and
bodies. Joints of both arms stand in one list, left arm first; `first[a]` is the first joint of arm a and
`first[-1]` = K the number of joints. Everything is expressed in world axes, in which the recursive
Newton-Euler equations are those of Newton and Euler as taught (Craig, *Introduction to Robotics*, 3rd ed.,
section 6.5; Lynch & Park, *Modern Robotics*, section 8.3), and the positions serve the Jacobian and the
clearances too.

LANES samples are worked on together as a block. In a block the last axis of every array is the sample, and
each innermost loop `for n in range(lanes)` holds the equations of one sample as they stand in the book. As
no sample depends on another, such a loop compiles to vector instructions. Two habits keep it so: nothing in
it branches, and it stores either into other arrays than it loads from, or just where it loaded from.

A kernel walks along each arm from the base outwards, one `step` per joint, and does at each link what it is
there for. `chain_kernels` holds the same equations for work that goes from one sample to the next.
"""

from __future__ import annotations

import numpy as np

from handfast.geometry.angle_kernels import sine_cosine
from handfast.geometry.distance_kernels import TINY, segment_box, segments_apart
from handfast.kernels import inner, kernel

LANES = 64
"""Samples in a block: enough that starting a loop costs little, few enough that its arrays stay in the caches."""


@inner
def numbers(count):
    """Room for `count` numbers of a block."""
    return np.empty((count, LANES))


@inner
def vectors(count):
    """Room for `count` vectors of a block."""
    return np.empty((count, 3, LANES))


@inner
def stand_at(base, frame, origin):
    """Start a walk outwards at a base (4, 4): frame (3, 3, LANES) and origin (3, LANES)."""
    for r in range(3):
        origin[r, :] = base[r, 3]
        for c in range(3):
            frame[r, c, :] = base[r, c]


@inner
def step(lanes, offset, axis, q, turn, frame, origin, p, z):
    """One joint outwards: frame and origin from those of the link before to those of the joint's own link.

    q (LANES,) rad; turn (2, LANES) is scratch. p and z (3, LANES): the joint's place and axis in world axes.
    """
    for n in range(lanes):
        turn[0, n], turn[1, n] = sine_cosine(q[n])
    x, y, w = axis[0], axis[1], axis[2]
    ox, oy, oz = offset[0], offset[1], offset[2]
    for n in range(lanes):
        s, c = turn[0, n], turn[1, n]
        v = 1.0 - c
        t00, t01, t02 = c + x * x * v, x * y * v - w * s, x * w * v + y * s
        t10, t11, t12 = x * y * v + w * s, c + y * y * v, y * w * v - x * s
        t20, t21, t22 = x * w * v - y * s, y * w * v + x * s, c + w * w * v
        for r in range(3):
            b0, b1, b2 = frame[r, 0, n], frame[r, 1, n], frame[r, 2, n]
            # The turn leaves the axis where it is, so the frame before it serves as well.
            z[r, n] = b0 * x + b1 * y + b2 * w
            p[r, n] = origin[r, n] = origin[r, n] + b0 * ox + b1 * oy + b2 * oz
            frame[r, 0, n] = b0 * t00 + b1 * t10 + b2 * t20
            frame[r, 1, n] = b0 * t01 + b1 * t11 + b2 * t21
            frame[r, 2, n] = b0 * t02 + b1 * t12 + b2 * t22


@inner
def turned(lanes, R, x, y, z, out):
    """The vector (x, y, z) of a link with rotation R (3, 3, LANES) in world axes, out (3, LANES)."""
    for n in range(lanes):
        for r in range(3):
            out[r, n] = R[r, 0, n] * x + R[r, 1, n] * y + R[r, 2, n] * z


@inner
def point_of(lanes, R, p, x, y, z, out):
    """The point (x, y, z) of a link with frame R (3, 3, LANES), p (3, LANES) in world axes, out (3, LANES)."""
    for n in range(lanes):
        for r in range(3):
            out[r, n] = p[r, n] + R[r, 0, n] * x + R[r, 1, n] * y + R[r, 2, n] * z


@inner
def jacobian(lanes, low, high, p, z, tip, J):
    """J[i] (6, LANES) = (angular, linear) velocity of the tip per unit speed of joint i = low ... high - 1."""
    for i in range(low, high):
        for n in range(lanes):
            zx, zy, zz = z[i, 0, n], z[i, 1, n], z[i, 2, n]
            rx, ry, rz = tip[0, n] - p[i, 0, n], tip[1, n] - p[i, 1, n], tip[2, n] - p[i, 2, n]
            J[i, 0, n], J[i, 1, n], J[i, 2, n] = zx, zy, zz
            J[i, 3, n] = zy * rz - zz * ry
            J[i, 4, n] = zz * rx - zx * rz
            J[i, 5, n] = zx * ry - zy * rx


@inner
def acceleration_at(gx, gy, gz, ax, ay, az, wx, wy, wz, rx, ry, rz):
    """Acceleration of the point r of a body: g of its origin + a × r + w × (w × r)."""
    cx, cy, cz = wy * rz - wz * ry, wz * rx - wx * rz, wx * ry - wy * rx
    return (
        gx + ay * rz - az * ry + wy * cz - wz * cy,
        gy + az * rx - ax * rz + wz * cx - wx * cz,
        gz + ax * ry - ay * rx + wx * cy - wy * cx,
    )


@inner
def rest_at(gravity, state):
    """A base at rest: nothing moves, and an acceleration stands for gravity.

    state (12, LANES) is handed from link to link: angular velocity w, angular acceleration a, acceleration g
    of the link's origin less gravity, and that origin. As the base does not turn, its origin may be anywhere.
    """
    state[:, :] = 0.0
    for r in range(3):
        state[6 + r, :] = -gravity[r]


@inner
def link_force(lanes, i, masses, coms, inertias, frame, origin, z, qd, qdd, state, F, M):
    """Newton and Euler for link i: the force F[i] (3, LANES) that it takes to move it so, and its moment M[i].

    M[i] (3, LANES) is taken about the world's origin. state (12, LANES): of the link before, then of this one.
    """
    mass, cx, cy, cz = masses[i], coms[i, 0], coms[i, 1], coms[i, 2]
    I00, I01, I02 = inertias[i, 0, 0], inertias[i, 0, 1], inertias[i, 0, 2]
    I11, I12, I22 = inertias[i, 1, 1], inertias[i, 1, 2], inertias[i, 2, 2]
    for n in range(lanes):
        wx, wy, wz = state[0, n], state[1, n], state[2, n]
        ax, ay, az = state[3, n], state[4, n], state[5, n]
        px, py, pz = origin[0, n], origin[1, n], origin[2, n]
        gx, gy, gz = state[6, n], state[7, n], state[8, n]
        dx, dy, dz = px - state[9, n], py - state[10, n], pz - state[11, n]
        gx, gy, gz = acceleration_at(gx, gy, gz, ax, ay, az, wx, wy, wz, dx, dy, dz)
        zx, zy, zz = z[i, 0, n], z[i, 1, n], z[i, 2, n]
        speed, gain = qd[i, n], qdd[i, n]
        ax, ay, az = (
            ax + zx * gain + (wy * zz - wz * zy) * speed,
            ay + zy * gain + (wz * zx - wx * zz) * speed,
            az + zz * gain + (wx * zy - wy * zx) * speed,
        )
        wx, wy, wz = wx + zx * speed, wy + zy * speed, wz + zz * speed
        state[0, n], state[1, n], state[2, n] = wx, wy, wz
        state[3, n], state[4, n], state[5, n] = ax, ay, az
        state[6, n], state[7, n], state[8, n] = gx, gy, gz
        state[9, n], state[10, n], state[11, n] = px, py, pz
        L00, L01, L02 = frame[0, 0, n], frame[0, 1, n], frame[0, 2, n]
        L10, L11, L12 = frame[1, 0, n], frame[1, 1, n], frame[1, 2, n]
        L20, L21, L22 = frame[2, 0, n], frame[2, 1, n], frame[2, 2, n]
        # Newton at the centre of mass.
        rx = L00 * cx + L01 * cy + L02 * cz
        ry = L10 * cx + L11 * cy + L12 * cz
        rz = L20 * cx + L21 * cy + L22 * cz
        fx, fy, fz = acceleration_at(gx, gy, gz, ax, ay, az, wx, wy, wz, rx, ry, rz)
        fx, fy, fz = mass * fx, mass * fy, mass * fz
        # Euler in link axes: n = I a + w × I w, turned back.
        bx = L00 * wx + L10 * wy + L20 * wz
        by = L01 * wx + L11 * wy + L21 * wz
        bz = L02 * wx + L12 * wy + L22 * wz
        ex = L00 * ax + L10 * ay + L20 * az
        ey = L01 * ax + L11 * ay + L21 * az
        ez = L02 * ax + L12 * ay + L22 * az
        hx = I00 * bx + I01 * by + I02 * bz
        hy = I01 * bx + I11 * by + I12 * bz
        hz = I02 * bx + I12 * by + I22 * bz
        nx = I00 * ex + I01 * ey + I02 * ez + by * hz - bz * hy
        ny = I01 * ex + I11 * ey + I12 * ez + bz * hx - bx * hz
        nz = I02 * ex + I12 * ey + I22 * ez + bx * hy - by * hx
        sx, sy, sz = px + rx, py + ry, pz + rz
        F[i, 0, n], F[i, 1, n], F[i, 2, n] = fx, fy, fz
        M[i, 0, n] = L00 * nx + L01 * ny + L02 * nz + sy * fz - sz * fy
        M[i, 1, n] = L10 * nx + L11 * ny + L12 * nz + sz * fx - sx * fz
        M[i, 2, n] = L20 * nx + L21 * ny + L22 * nz + sx * fy - sy * fx


@inner
def add_load(lanes, load, frame, tip, offset, state, F, M):
    """A point mass load (LANES,) at offset (3, LANES) from the TCP, in link axes, held by the last link."""
    for n in range(lanes):
        x, y, z = offset[0, n], offset[1, n], offset[2, n]
        sx = tip[0, n] + frame[0, 0, n] * x + frame[0, 1, n] * y + frame[0, 2, n] * z
        sy = tip[1, n] + frame[1, 0, n] * x + frame[1, 1, n] * y + frame[1, 2, n] * z
        sz = tip[2, n] + frame[2, 0, n] * x + frame[2, 1, n] * y + frame[2, 2, n] * z
        fx, fy, fz = acceleration_at(
            state[6, n], state[7, n], state[8, n], state[3, n], state[4, n], state[5, n],
            state[0, n], state[1, n], state[2, n], sx - state[9, n], sy - state[10, n], sz - state[11, n],
        )  # fmt: skip
        m = load[n]
        fx, fy, fz = m * fx, m * fy, m * fz
        F[0, n] += fx
        F[1, n] += fy
        F[2, n] += fz
        M[0, n] += sy * fz - sz * fy
        M[1, n] += sz * fx - sx * fz
        M[2, n] += sx * fy - sy * fx


@inner
def torques(lanes, low, high, p, z, F, M, state, tau):
    """Inwards: what a joint transmits is the sum over all links beyond it, its moment taken at the joint."""
    state[:6, :] = 0.0
    for i in range(high - 1, low - 1, -1):
        for n in range(lanes):
            fx, fy, fz = state[0, n] + F[i, 0, n], state[1, n] + F[i, 1, n], state[2, n] + F[i, 2, n]
            mx, my, mz = state[3, n] + M[i, 0, n], state[4, n] + M[i, 1, n], state[5, n] + M[i, 2, n]
            state[0, n], state[1, n], state[2, n] = fx, fy, fz
            state[3, n], state[4, n], state[5, n] = mx, my, mz
            px, py, pz = p[i, 0, n], p[i, 1, n], p[i, 2, n]
            tau[i, n] = (
                z[i, 0, n] * (mx - (py * fz - pz * fy))
                + z[i, 1, n] * (my - (pz * fx - px * fz))
                + z[i, 2, n] * (mz - (px * fy - py * fx))
            )


@inner
def squared_lengths(froms, tos, out):
    """Squared length of each capsule's axis and one over it, out (C, 2): the same in every sample."""
    for k in range(froms.shape[0]):
        x, y, z = tos[k, 0] - froms[k, 0], tos[k, 1] - froms[k, 1], tos[k, 2] - froms[k, 2]
        out[k, 0] = x * x + y * y + z * z
        out[k, 1] = 1.0 / max(out[k, 0], TINY)


@inner
def capsules_of(lanes, link, frame, origin, links, froms, tos, A, U):
    """Start A and direction U (end - start), each (C, 3, LANES) in world axes, of the capsules on one link."""
    for k in range(links.shape[0]):
        if links[k] == link:
            x, y, z = froms[k, 0], froms[k, 1], froms[k, 2]
            point_of(lanes, frame, origin, x, y, z, A[k])
            turned(lanes, frame, tos[k, 0] - x, tos[k, 1] - y, tos[k, 2] - z, U[k])


@inner
def clearances(lanes, A, U, squares, radii, pairs, boxes, box_sizes, gaps):
    """Signed clearance gaps (P, LANES) of every pair of a block; negative where bodies intersect.

    pairs (P, 3): kind 0 capsule a with capsule b; 1 capsule a with the table z = 0; 2 capsule a with box b.
    """
    for k in range(pairs.shape[0]):
        kind, a, b = pairs[k, 0], pairs[k, 1], pairs[k, 2]
        if kind == 0:
            uu, per_uu, vv, per_vv = squares[a, 0], squares[a, 1], squares[b, 0], squares[b, 1]
            near = radii[a] + radii[b]
            for n in range(lanes):
                gaps[k, n] = (
                    segments_apart(
                        A[a, 0, n], A[a, 1, n], A[a, 2, n], U[a, 0, n], U[a, 1, n], U[a, 2, n], uu, per_uu,
                        A[b, 0, n], A[b, 1, n], A[b, 2, n], U[b, 0, n], U[b, 1, n], U[b, 2, n], vv, per_vv,
                    ) - near
                )  # fmt: skip
        elif kind == 1:
            for n in range(lanes):
                gaps[k, n] = A[a, 2, n] + min(U[a, 2, n], 0.0) - radii[a]
        else:
            hx, hy, hz = box_sizes[b, 0], box_sizes[b, 1], box_sizes[b, 2]
            x0, x1, x2 = boxes[b, 0, 0], boxes[b, 1, 0], boxes[b, 2, 0]
            y0, y1, y2 = boxes[b, 0, 1], boxes[b, 1, 1], boxes[b, 2, 1]
            z0, z1, z2 = boxes[b, 0, 2], boxes[b, 1, 2], boxes[b, 2, 2]
            bx, by, bz = boxes[b, 0, 3], boxes[b, 1, 3], boxes[b, 2, 3]
            for n in range(lanes):
                dx, dy, dz = A[a, 0, n] - bx, A[a, 1, n] - by, A[a, 2, n] - bz
                ux, uy, uz = U[a, 0, n], U[a, 1, n], U[a, 2, n]
                gaps[k, n] = (
                    segment_box(
                        x0 * dx + x1 * dy + x2 * dz, y0 * dx + y1 * dy + y2 * dz, z0 * dx + z1 * dy + z2 * dz,
                        x0 * ux + x1 * uy + x2 * uz, y0 * ux + y1 * uy + y2 * uz, z0 * ux + z1 * uy + z2 * uz,
                        hx, hy, hz,
                    ) - radii[a]
                )  # fmt: skip


@inner
def gather(lanes, start, rows, block):
    """The samples from `start` on of rows (N, K) as a block (K, LANES)."""
    for n in range(lanes):
        for k in range(rows.shape[1]):
            block[k, n] = rows[start + n, k]


@inner
def gather_loads(lanes, start, loads, offsets, load, offset):
    """Loads (N, arms) and their offsets (N, arms, 3) as blocks load (arms, LANES), offset (arms, 3, LANES).

    Either may have a single row that holds for all samples.
    """
    for n in range(lanes):
        row = start + n if loads.shape[0] > 1 else 0
        for arm in range(loads.shape[1]):
            load[arm, n] = loads[row, arm]
        row = start + n if offsets.shape[0] > 1 else 0
        for arm in range(loads.shape[1]):
            for r in range(3):
                offset[arm, r, n] = offsets[row, arm, r]


@inner
def spread(lanes, start, block, rows):
    """A block (K, LANES) into the samples from `start` on of rows (N, K)."""
    for n in range(lanes):
        for k in range(rows.shape[1]):
            rows[start + n, k] = block[k, n]


@inner
def spread_by_row(lanes, start, block, rows):
    """A block (K, M, LANES) into the samples from `start` on of rows (N, K, M)."""
    for k in range(rows.shape[1]):
        for n in range(lanes):
            for m in range(rows.shape[2]):
                rows[start + n, k, m] = block[k, m, n]


_MODEL = "i8[::1], f8[:,:,::1], f8[:,::1], f8[:,::1]"
_MASSES = "f8[::1], f8[:,::1], f8[:,:,::1], f8[::1]"
_LOADS = "f8[:,::1], f8[:,:,::1]"
_BODIES = "i8[::1], f8[:,::1], f8[:,::1], f8[::1], i8[:,::1], f8[:,:,::1], f8[:,::1]"
_STATE = "f8[:,::1], f8[:,::1], f8[:,::1]"


@kernel(f"void({_MODEL}, f8[:,::1], f8[:,:,::1], f8[:,::1], f8[:,:,:,::1], f8[:,:,::1], f8[:,:,:,::1], f8[:,:,::1])")
def places_kernel(first, bases, offsets, axes, tools, tool_turns, q, R, p, X_WT, J):
    """For each sample: link frames R (N, K, 3, 3), p (N, K, 3), tool poses X_WT (N, arms, 4, 4), J (N, K, 6)."""
    N, K = q.shape
    angle, turn, tip, origin = numbers(K), numbers(2), numbers(3), numbers(3)
    frame, pb, zb, Jb = vectors(3), vectors(K), vectors(K), np.empty((K, 6, LANES))
    X_WT[:, :, 3, :3] = 0.0
    X_WT[:, :, 3, 3] = 1.0
    for start in range(0, N, LANES):
        lanes = min(LANES, N - start)
        gather(lanes, start, q, angle)
        for arm in range(first.shape[0] - 1):
            low, high = first[arm], first[arm + 1]
            stand_at(bases[arm], frame, origin)
            for i in range(low, high):
                step(lanes, offsets[i], axes[i], angle[i], turn, frame, origin, pb[i], zb[i])
                for n in range(lanes):
                    for r in range(3):
                        for c in range(3):
                            R[start + n, i, r, c] = frame[r, c, n]
            point_of(lanes, frame, origin, tools[arm, 0], tools[arm, 1], tools[arm, 2], tip)
            jacobian(lanes, low, high, pb, zb, tip, Jb)
            T = tool_turns[arm]
            for n in range(lanes):
                for r in range(3):
                    X_WT[start + n, arm, r, 3] = tip[r, n]
                    x, y, z = frame[r, 0, n], frame[r, 1, n], frame[r, 2, n]
                    for c in range(3):
                        X_WT[start + n, arm, r, c] = x * T[0, c] + y * T[1, c] + z * T[2, c]
        spread_by_row(lanes, start, pb, p)
        spread_by_row(lanes, start, Jb, J)


@kernel(f"void({_MODEL}, {_MASSES}, f8[:,::1], {_LOADS}, {_STATE}, f8[:,::1])")
def torques_kernel(
    first, bases, offsets, axes, masses, coms, inertias, gravity, tools, loads, load_offsets, q, qd, qdd, tau
):
    """Inverse dynamics of N samples: tau (N, K). loads and load_offsets as in `gather_loads`."""
    N, K = q.shape
    arms = first.shape[0] - 1
    angle, speed, gain, torque = numbers(K), numbers(K), numbers(K), numbers(K)
    turn, tip, origin, state, load = numbers(2), numbers(3), numbers(3), numbers(12), numbers(arms)
    frame, p, z, F, M, offset = vectors(3), vectors(K), vectors(K), vectors(K), vectors(K), vectors(arms)
    for start in range(0, N, LANES):
        lanes = min(LANES, N - start)
        gather(lanes, start, q, angle)
        gather(lanes, start, qd, speed)
        gather(lanes, start, qdd, gain)
        gather_loads(lanes, start, loads, load_offsets, load, offset)
        for arm in range(arms):
            low, high = first[arm], first[arm + 1]
            stand_at(bases[arm], frame, origin)
            rest_at(gravity, state)
            for i in range(low, high):
                step(lanes, offsets[i], axes[i], angle[i], turn, frame, origin, p[i], z[i])
                link_force(lanes, i, masses, coms, inertias, frame, origin, z, speed, gain, state, F, M)
            point_of(lanes, frame, origin, tools[arm, 0], tools[arm, 1], tools[arm, 2], tip)
            add_load(lanes, load[arm], frame, tip, offset[arm], state, F[high - 1], M[high - 1])
            torques(lanes, low, high, p, z, F, M, state, torque)
        spread(lanes, start, torque, tau)


@kernel(f"void({_MODEL}, {_BODIES}, f8[:,::1], f8[:,::1])")
def clearances_kernel(first, bases, offsets, axes, links, froms, tos, radii, pairs, boxes, box_sizes, q, out):
    """Signed clearances (N, P) of N samples."""
    N, K = q.shape
    C = links.shape[0]
    angle, turn, origin, p, z = numbers(K), numbers(2), numbers(3), numbers(3), numbers(3)
    frame, A, U, squares, gap = vectors(3), vectors(C), vectors(C), np.empty((C, 2)), numbers(len(pairs))
    squared_lengths(froms, tos, squares)
    stand_at(np.eye(4), frame, origin)
    capsules_of(LANES, -1, frame, origin, links, froms, tos, A, U)
    for start in range(0, N, LANES):
        lanes = min(LANES, N - start)
        gather(lanes, start, q, angle)
        for arm in range(first.shape[0] - 1):
            stand_at(bases[arm], frame, origin)
            for i in range(first[arm], first[arm + 1]):
                step(lanes, offsets[i], axes[i], angle[i], turn, frame, origin, p, z)
                capsules_of(lanes, i, frame, origin, links, froms, tos, A, U)
        clearances(lanes, A, U, squares, radii, pairs, boxes, box_sizes, gap)
        spread(lanes, start, gap, out)


@kernel(f"void({_MODEL}, {_MASSES}, f8[:,::1], {_LOADS}, {_BODIES}, {_STATE}, f8[:,::1], f8[:,:,::1], f8[:,::1])")
def survey_kernel(
    first, bases, offsets, axes, masses, coms, inertias, gravity, tools, loads, load_offsets,
    links, froms, tos, radii, pairs, boxes, box_sizes, q, qd, qdd, tau, J, gaps,
):  # fmt: skip
    """All that a whole check needs, from one walk along the arms: torques, Jacobians, clearances."""
    N, K = q.shape
    arms, C = first.shape[0] - 1, links.shape[0]
    angle, speed, gain, torque = numbers(K), numbers(K), numbers(K), numbers(K)
    turn, tip, origin, state, load = numbers(2), numbers(3), numbers(3), numbers(12), numbers(arms)
    frame, p, z, F, M, offset = vectors(3), vectors(K), vectors(K), vectors(K), vectors(K), vectors(arms)
    A, U, squares, gap = vectors(C), vectors(C), np.empty((C, 2)), numbers(len(pairs))
    Jb = np.empty((K, 6, LANES))
    squared_lengths(froms, tos, squares)
    stand_at(np.eye(4), frame, origin)
    capsules_of(LANES, -1, frame, origin, links, froms, tos, A, U)
    for start in range(0, N, LANES):
        lanes = min(LANES, N - start)
        gather(lanes, start, q, angle)
        gather(lanes, start, qd, speed)
        gather(lanes, start, qdd, gain)
        gather_loads(lanes, start, loads, load_offsets, load, offset)
        for arm in range(arms):
            low, high = first[arm], first[arm + 1]
            stand_at(bases[arm], frame, origin)
            rest_at(gravity, state)
            for i in range(low, high):
                step(lanes, offsets[i], axes[i], angle[i], turn, frame, origin, p[i], z[i])
                link_force(lanes, i, masses, coms, inertias, frame, origin, z, speed, gain, state, F, M)
                capsules_of(lanes, i, frame, origin, links, froms, tos, A, U)
            point_of(lanes, frame, origin, tools[arm, 0], tools[arm, 1], tools[arm, 2], tip)
            add_load(lanes, load[arm], frame, tip, offset[arm], state, F[high - 1], M[high - 1])
            torques(lanes, low, high, p, z, F, M, state, torque)
            jacobian(lanes, low, high, p, z, tip, Jb)
        spread(lanes, start, torque, tau)
        spread_by_row(lanes, start, Jb, J)
        clearances(lanes, A, U, squares, radii, pairs, boxes, box_sizes, gap)
        spread(lanes, start, gap, gaps)
