"""The true figures of a pair of arms that nobody has measured, drawn by seed around a bench's design."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from handfast.bench.parts import SIDES, Bench, Gripper, Joint
from handfast.geometry.rigid import Array, rotation_of
from handfast.mechanics.dynamics import inverse_dynamics
from handfast.mechanics.model import Chain, chain_of
from handfast.units import DEGREE


@dataclass(frozen=True)
class Truth:
    """True figures: of the arms as built, and per servo (S,), joints first (left, then right), then grippers.

    chain: arms with their true lengths and bases. Angles rad, torques N·m, times s, SI throughout. A servo's
    own potentiometer reads angle - offset + bow·sin(...), and its electronics drive that reading to what the
    pulse asks; the wiper shows the same reading.
    """

    chain: Chain
    springs: Array  # (K, 2)
    channel: np.ndarray
    unseen_play: Array
    seen_play: Array
    dead_band: Array
    full_drive: Array
    compliance: Array
    gear_friction: Array
    joint_friction: Array
    stall: Array
    free_speed: Array
    rated_voltage: Array
    rotor: Array
    dead_time: Array
    damping: Array  # s, share of the speed that the electronics take off the error
    stall_current: Array
    free_current: Array
    idle_current: Array
    offset: Array
    bow: Array
    bow_phase: Array
    bow_span: Array
    pulse_zero: Array
    pulse_slope: Array  # s/rad
    wiper_zero: Array  # V at reading 0
    wiper_slope: Array  # V/rad
    wiper_noise: Array  # V, one standard deviation
    follows_supply: Array
    supply_voltage: float
    supply_resistance: float
    lead_resistance: Array  # (2,)

    @property
    def joints(self) -> int:
        """Number of joints, K; the grippers' servos follow them."""
        return self.chain.joints


def design_truth(bench: Bench) -> Truth:
    """A pair of arms exactly as `bench` describes it: no error of lengths, bases or feedback, and no noise.

    The electronics damp as those of `draw_truth` do, in the middle of their range.
    """
    parts: list[Joint | Gripper] = [*bench.joints, *(bench.arm(side).gripper for side in SIDES)]
    servos = [bench.servo_of(part) for part in parts]
    chain = chain_of(bench)

    def each(of_servo: str, of_joint: str | None = None) -> Array:
        found = []
        for part, servo in zip(parts, servos, strict=True):
            own = None if of_joint is None else getattr(part, of_joint, None)
            found.append(float(getattr(servo, of_servo) if own is None else own))
        return np.array(found)

    stall, free = each("stall_torque"), each("no_load_speed")
    full_drive = each("full_drive_error", "full_drive")
    rotor = each("reflected_inertia")
    limp = np.array([getattr(p, "limp_friction", None) or s.limp_friction * s.stall_torque
                     for p, s in zip(parts, servos, strict=True)])  # fmt: skip
    level = np.concatenate([_stretched(chain, arm) for arm in range(2)])
    inertia = rotor + np.append(_own_inertias(chain, level), [0.0, 0.0])
    volts_per_count = bench.controller.reference / 2**bench.controller.wiper_bits
    S = len(parts)
    return Truth(
        chain=chain,
        springs=np.array([(j.spring.rate, j.spring.rest) if j.spring else (0.0, 0.0) for j in bench.joints]),
        channel=np.array([part.channel for part in parts]),
        unseen_play=np.array([getattr(p, "unseen_play", 0.0) for p in parts]),
        seen_play=each("seen_play", "seen_play"),
        dead_band=each("dead_band_angle", "dead_band"),
        full_drive=full_drive,
        compliance=np.array([getattr(p, "compliance", 0.0) for p in parts]),
        gear_friction=limp,
        joint_friction=stall * np.array([getattr(p, "joint_friction", 0.02) for p in parts]),
        stall=stall,
        free_speed=free,
        rated_voltage=each("rated_voltage"),
        rotor=rotor,
        dead_time=each("dead_time"),
        damping=np.maximum(0.0, 1.6 * np.sqrt(inertia * full_drive / stall) - full_drive / free),
        stall_current=each("stall_current"),
        free_current=each("no_load_current"),
        idle_current=each("idle_current"),
        offset=np.zeros(S),
        bow=np.zeros(S),
        bow_phase=np.zeros(S),
        bow_span=np.array([p.travel[1] - p.travel[0] for p in parts]),
        pulse_zero=np.array([p.pulse_at_zero for p in parts]),
        pulse_slope=np.array([p.pulse_slope or s.pulse_slope for p, s in zip(parts, servos, strict=True)]),
        wiper_zero=np.array([p.wiper_at_zero for p in parts]) * volts_per_count,
        wiper_slope=np.array([p.wiper_slope for p in parts]) * volts_per_count,
        wiper_noise=np.zeros(S),
        follows_supply=np.array([p.follows_supply for p in parts]),
        supply_voltage=bench.supply.voltage,
        supply_resistance=bench.supply.resistance,
        lead_resistance=np.array([bench.arm(side).wire.resistance for side in SIDES]),
    )


def draw_truth(bench: Bench, seed: int) -> Truth:
    """A pair of arms as they might really be, drawn around the design of `bench`.

    Ranges (common practice, no source): unseen play 0.3-1.5°, seen play 0.2-0.8°, dead band 0.2-0.9°, droop
    0.5-3° at half stall, compliance x0.5-2, gear friction 2-15 % of stall, wiper noise 1-3 counts, feedback
    non-linearity to 3 % of travel, wiper following the supply by 0-100 %, joint offsets ±5°, link lengths
    ±2 mm, bases ±5 mm and 2°, dead time 20-60 ms, torque ±20 %; pulse line ±2 % and ±2° against the feedback.
    """
    rng = np.random.default_rng([seed, 20_26])
    parts: list[Joint | Gripper] = [*bench.joints, *(bench.arm(side).gripper for side in SIDES)]
    servos = [bench.servo_of(part) for part in parts]
    S = len(parts)

    def between(low: float, high: float) -> Array:
        return rng.uniform(low, high, S)

    def ratio(limit: float) -> Array:
        return np.asarray(np.exp(rng.uniform(-np.log(limit), np.log(limit), S)))

    stall = np.array([s.stall_torque for s in servos]) * between(0.8, 1.2)
    free = np.array([s.no_load_speed for s in servos]) * between(0.9, 1.1)
    chain = chain_of(bench)
    lengths = chain.offsets.copy()
    for i in range(len(lengths)):
        norm = np.linalg.norm(lengths[i])
        if norm > 1e-9:
            lengths[i] *= 1.0 + rng.uniform(-2e-3, 2e-3) / norm
    bases = chain.bases.copy()
    for arm in range(2):
        bases[arm, :2, 3] += rng.uniform(-5e-3, 5e-3, 2)
        bases[arm, :3, :3] = rotation_of(np.array([0, 0, rng.uniform(-2, 2) * DEGREE])) @ bases[arm, :3, :3]
    true_chain = Chain(
        **{name: getattr(chain, name) for name in chain.__dataclass_fields__ if name not in ("offsets", "bases")},
        offsets=lengths,
        bases=np.ascontiguousarray(bases),
    )
    volts_per_count = bench.controller.reference / 2**bench.controller.wiper_bits
    travel = np.array([p.travel[1] - p.travel[0] for p in parts])
    slope = np.array([p.pulse_slope or s.pulse_slope for p, s in zip(parts, servos, strict=True)])
    full_drive = 2.0 * between(0.5, 3.0) * DEGREE
    rotor = np.array([s.reflected_inertia for s in servos])
    # Makers of servos damp them for a usual load: here the arm's own inertia, stretched out level.
    level = np.concatenate([_stretched(chain, arm) for arm in range(2)])
    inertia = rotor + np.append(_own_inertias(chain, level), [0.0, 0.0])
    stiffness = stall / full_drive
    damping = np.maximum(0.0, 2.0 * between(0.6, 1.0) * np.sqrt(inertia / stiffness) - full_drive / free)
    return Truth(
        chain=true_chain,
        springs=np.array([(j.spring.rate, j.spring.rest) if j.spring else (0.0, 0.0) for j in bench.joints]),
        channel=np.array([part.channel for part in parts]),
        unseen_play=between(0.3, 1.5) * DEGREE,
        seen_play=between(0.2, 0.8) * DEGREE,
        dead_band=between(0.2, 0.9) * DEGREE,
        full_drive=full_drive,
        compliance=np.array([getattr(p, "compliance", 0.0) for p in parts]) * ratio(2.0),
        gear_friction=stall * between(0.02, 0.15),
        joint_friction=stall * between(0.01, 0.04),
        stall=stall,
        free_speed=free,
        rated_voltage=np.array([s.rated_voltage for s in servos]),
        rotor=rotor,
        dead_time=between(0.020, 0.060),
        damping=damping,
        stall_current=np.array([s.stall_current for s in servos]) * between(0.8, 1.2),
        free_current=np.array([s.no_load_current for s in servos]),
        idle_current=np.array([s.idle_current for s in servos]),
        offset=between(-5.0, 5.0) * DEGREE,
        bow=between(0.0, 0.03) * travel / 2.0,
        bow_phase=between(0.0, 2.0 * np.pi),
        bow_span=travel,
        pulse_zero=np.array([p.pulse_at_zero for p in parts]) + between(-2.0, 2.0) * DEGREE * slope,
        pulse_slope=slope * between(0.98, 1.02),
        wiper_zero=np.array([p.wiper_at_zero for p in parts]) * volts_per_count,
        wiper_slope=np.array([p.wiper_slope for p in parts]) * volts_per_count,
        wiper_noise=between(1.0, 3.0) * volts_per_count,
        follows_supply=between(0.0, 1.0),
        supply_voltage=bench.supply.voltage,
        supply_resistance=bench.supply.resistance,
        lead_resistance=np.array([bench.arm(side).wire.resistance for side in SIDES]),
    )


def _stretched(chain: Chain, arm: int) -> Array:
    """A pose in which an arm weighs most on its level axes: the first of them turned by 90 degrees."""
    part = chain.columns(arm)
    q = np.zeros(part.stop - part.start)
    level = np.nonzero(np.abs(chain.axes[part, 2]) < 0.5)[0]
    if len(level):
        q[level[0]] = np.pi / 2.0
    return q


def _own_inertias(chain: Chain, q: Array) -> Array:
    """Diagonal of the mass matrix (K,), kg·m²."""
    K = chain.joints
    still = Chain(**{**{n: getattr(chain, n) for n in chain.__dataclass_fields__}, "gravity": np.zeros(3)})
    return np.diag(inverse_dynamics(still, np.tile(q, (K, 1)), np.zeros((K, K)), np.eye(K))).copy()
