# mypy: disable-error-code="no-untyped-def"
"""One sample of a pair of serial arms: places, torques, Jacobians and clearances, in world axes.

All link frames are parallel to their arm's base at zero pose, so a chain is three lists: offsets, axes and
bodies. Joints of both arms stand in one list, left arm first; `first[a]` is the first joint of arm a and
`first[2]` the number of joints. Everything is expressed in world axes, in which the recursive Newton-Euler
equations are those of Newton and Euler as taught (Craig, *Introduction to Robotics*, 3rd ed., section 6.5;
Lynch & Park, *Modern Robotics*, section 8.3), and the positions serve the Jacobian and the clearances too.
"""

from __future__ import annotations

import numpy as np

from handfast.kernels import inner


@inner
def place(first, bases, offsets, axes, q, R, p):
    """Rotation `R[i]` and origin `p[i]` of every link of both arms, for one sample `q`."""
    for arm in range(first.shape[0] - 1):
        for i in range(first[arm], first[arm + 1]):
            c, s = np.cos(q[i]), np.sin(q[i])
            x, y, z = axes[i, 0], axes[i, 1], axes[i, 2]
            v = 1.0 - c
            t00, t01, t02 = c + x * x * v, x * y * v - z * s, x * z * v + y * s
            t10, t11, t12 = x * y * v + z * s, c + y * y * v, y * z * v - x * s
            t20, t21, t22 = x * z * v - y * s, y * z * v + x * s, c + z * z * v
            ox, oy, oz = offsets[i, 0], offsets[i, 1], offsets[i, 2]
            for r in range(3):
                if i == first[arm]:
                    b0, b1, b2, b3 = bases[arm, r, 0], bases[arm, r, 1], bases[arm, r, 2], bases[arm, r, 3]
                else:
                    b0, b1, b2, b3 = R[i - 1, r, 0], R[i - 1, r, 1], R[i - 1, r, 2], p[i - 1, r]
                p[i, r] = b3 + b0 * ox + b1 * oy + b2 * oz
                R[i, r, 0] = b0 * t00 + b1 * t10 + b2 * t20
                R[i, r, 1] = b0 * t01 + b1 * t11 + b2 * t21
                R[i, r, 2] = b0 * t02 + b1 * t12 + b2 * t22


@inner
def turned(R, v, out):
    """out = R v."""
    for r in range(3):
        out[r] = R[r, 0] * v[0] + R[r, 1] * v[1] + R[r, 2] * v[2]


@inner
def world_axes(first, R, axes, z):
    """Joint axes in world axes. A joint's own turn leaves its axis where it is, so the link's R serves."""
    for i in range(first[-1]):
        turned(R[i], axes[i], z[i])


@inner
def torques(first, R, p, z, masses, coms, inertias, loads, load_points, gravity, qd, qdd, tau, F, M):
    """Joint torques of one sample, without friction and springs.

    loads (arms,) kg and load_points (arms, 3) m in world axes: a point mass held by the last link of each
    arm. `F`, `M` (links, 3): scratch, the force on each link and its moment about the world's origin.
    """
    for arm in range(first.shape[0] - 1):
        wx = wy = wz = ax = ay = az = 0.0  # angular velocity and acceleration of the link
        gx, gy, gz = -gravity[0], -gravity[1], -gravity[2]  # acceleration of the link's origin, less gravity
        low, high = first[arm], first[arm + 1]
        for i in range(low, high):
            if i > low:
                dx, dy, dz = p[i, 0] - p[i - 1, 0], p[i, 1] - p[i - 1, 1], p[i, 2] - p[i - 1, 2]
                cx, cy, cz = wy * dz - wz * dy, wz * dx - wx * dz, wx * dy - wy * dx
                gx += ay * dz - az * dy + wy * cz - wz * cy
                gy += az * dx - ax * dz + wz * cx - wx * cz
                gz += ax * dy - ay * dx + wx * cy - wy * cx
            zx, zy, zz = z[i, 0], z[i, 1], z[i, 2]
            v, a = qd[i], qdd[i]
            ax += zx * a + (wy * zz - wz * zy) * v
            ay += zy * a + (wz * zx - wx * zz) * v
            az += zz * a + (wx * zy - wy * zx) * v
            wx += zx * v
            wy += zy * v
            wz += zz * v
            # The centre of mass: its place, acceleration, and the force that gives it that acceleration.
            L = R[i]
            m = masses[i]
            rx = L[0, 0] * coms[i, 0] + L[0, 1] * coms[i, 1] + L[0, 2] * coms[i, 2]
            ry = L[1, 0] * coms[i, 0] + L[1, 1] * coms[i, 1] + L[1, 2] * coms[i, 2]
            rz = L[2, 0] * coms[i, 0] + L[2, 1] * coms[i, 1] + L[2, 2] * coms[i, 2]
            cx, cy, cz = wy * rz - wz * ry, wz * rx - wx * rz, wx * ry - wy * rx
            fx = m * (gx + ay * rz - az * ry + wy * cz - wz * cy)
            fy = m * (gy + az * rx - ax * rz + wz * cx - wx * cz)
            fz = m * (gz + ax * ry - ay * rx + wx * cy - wy * cx)
            # Euler's equation in link axes, turned back.
            bx = L[0, 0] * wx + L[1, 0] * wy + L[2, 0] * wz
            by = L[0, 1] * wx + L[1, 1] * wy + L[2, 1] * wz
            bz = L[0, 2] * wx + L[1, 2] * wy + L[2, 2] * wz
            ex = L[0, 0] * ax + L[1, 0] * ay + L[2, 0] * az
            ey = L[0, 1] * ax + L[1, 1] * ay + L[2, 1] * az
            ez = L[0, 2] * ax + L[1, 2] * ay + L[2, 2] * az
            I = inertias[i]
            hx = I[0, 0] * bx + I[0, 1] * by + I[0, 2] * bz
            hy = I[1, 0] * bx + I[1, 1] * by + I[1, 2] * bz
            hz = I[2, 0] * bx + I[2, 1] * by + I[2, 2] * bz
            nx = I[0, 0] * ex + I[0, 1] * ey + I[0, 2] * ez + by * hz - bz * hy
            ny = I[1, 0] * ex + I[1, 1] * ey + I[1, 2] * ez + bz * hx - bx * hz
            nz = I[2, 0] * ex + I[2, 1] * ey + I[2, 2] * ez + bx * hy - by * hx
            sx, sy, sz = p[i, 0] + rx, p[i, 1] + ry, p[i, 2] + rz
            F[i, 0], F[i, 1], F[i, 2] = fx, fy, fz
            M[i, 0] = L[0, 0] * nx + L[0, 1] * ny + L[0, 2] * nz + sy * fz - sz * fy
            M[i, 1] = L[1, 0] * nx + L[1, 1] * ny + L[1, 2] * nz + sz * fx - sx * fz
            M[i, 2] = L[2, 0] * nx + L[2, 1] * ny + L[2, 2] * nz + sx * fy - sy * fx
            if i == high - 1 and loads[arm] > 0.0:
                sx, sy, sz = load_points[arm, 0], load_points[arm, 1], load_points[arm, 2]
                rx, ry, rz = sx - p[i, 0], sy - p[i, 1], sz - p[i, 2]
                cx, cy, cz = wy * rz - wz * ry, wz * rx - wx * rz, wx * ry - wy * rx
                m = loads[arm]
                fx = m * (gx + ay * rz - az * ry + wy * cz - wz * cy)
                fy = m * (gy + az * rx - ax * rz + wz * cx - wx * cz)
                fz = m * (gz + ax * ry - ay * rx + wx * cy - wy * cx)
                F[i, 0] += fx
                F[i, 1] += fy
                F[i, 2] += fz
                M[i, 0] += sy * fz - sz * fy
                M[i, 1] += sz * fx - sx * fz
                M[i, 2] += sx * fy - sy * fx
        # Inwards: what a joint transmits is the sum over all links beyond it, its moment taken at the joint.
        fx = fy = fz = mx = my = mz = 0.0
        for i in range(high - 1, low - 1, -1):
            fx += F[i, 0]
            fy += F[i, 1]
            fz += F[i, 2]
            mx += M[i, 0]
            my += M[i, 1]
            mz += M[i, 2]
            x, y, w = p[i, 0], p[i, 1], p[i, 2]
            tau[i] = (
                z[i, 0] * (mx - (y * fz - w * fy))
                + z[i, 1] * (my - (w * fx - x * fz))
                + z[i, 2] * (mz - (x * fy - y * fx))
            )


@inner
def jacobian(first, p, z, tips, J):
    """J[i] = (angular, linear) velocity of its arm's tip per unit speed of joint i, in world axes."""
    for arm in range(first.shape[0] - 1):
        for i in range(first[arm], first[arm + 1]):
            rx, ry, rz = tips[arm, 0] - p[i, 0], tips[arm, 1] - p[i, 1], tips[arm, 2] - p[i, 2]
            J[i, 0], J[i, 1], J[i, 2] = z[i, 0], z[i, 1], z[i, 2]
            J[i, 3] = z[i, 1] * rz - z[i, 2] * ry
            J[i, 4] = z[i, 2] * rx - z[i, 0] * rz
            J[i, 5] = z[i, 0] * ry - z[i, 1] * rx
