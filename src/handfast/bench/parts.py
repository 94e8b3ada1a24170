"""The parts of a bench, frozen and in SI units. Each field says how it is written in `bench.toml`, and why.

Defaults are numbers of the trade (common practice, no source, unless a source stands beside them). Every
one of them is replaced by a measurement where there is one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from handfast.files.fields import (
    derived,
    flag,
    named,
    number,
    rows,
    table,
    tables,
    text,
    vector,
    whole,
)
from handfast.units import wire_resistance

Side = Literal["left", "right"]
SIDES: tuple[Side, Side] = ("left", "right")
Vector = tuple[float, ...]
Rows = tuple[tuple[float, ...], ...]


@dataclass(frozen=True, kw_only=True)
class Accept:
    """What vetting lets pass in a class of servo: the limit of each figure (common practice, no source)."""

    time: float = number("time_pct", 120, 100, 500, "longest time for 60 degrees, of the claimed time")
    unequal: float = number("unequal_pct", 10, 0, 100, "largest difference of the speeds of both directions")
    holding: float = number("holding_pct", 60, 0, 200, "least torque, of the claimed stall torque")
    play: float = number("play_deg", 1.0, 0, 30, "play when it is pushed lightly both ways, full width")
    reversal: float = number("reversal_deg", 1.5, 0, 30, "difference between arriving from one side and the other")
    repeatability: float = number("repeatability_deg", 0.3, 0, 10, "standard deviation of arrivals from one side")
    dead_band: float = number("dead_band_us", 10, 0, 200, "pulse change that it ignores, full width")
    noise: float = number(
        "noise_counts", 2, 0, 500, "standard deviation of the feedback at rest, in 1/1024 of its range"
    )
    wild: float = number("wild_counts", 10, 0, 1000, "how far a single reading may lie off, in 1/1024 of its range")
    linearity: float = number("linearity_pct", 2, 0, 50, "largest departure of the feedback from a line, of its span")
    drift: float = number("drift_deg", 1.0, 0, 30, "change of the resting place while it warms up")
    slip: float = number("slip_deg", 2.0, 0.1, 60, "jump of the resting place that counts as slipping")
    stall_current: float = number("stall_current_pct", 130, 0, 1000, "largest current, of the claimed stall current")


@dataclass(frozen=True, kw_only=True)
class Servo:
    """A class of servo. Torque and speed hold at the rated voltage and scale with voltage."""

    name: str = derived()
    rated_voltage: float = number("rated_voltage_V", ..., 1, 60, "voltage at which torque and speed are stated")
    stall_torque: float = number("stall_torque_kgcm", ..., 0.05, 500, "torque at standstill, full voltage")
    no_load_speed: float = number("no_load_s_per_60deg", ..., 0.01, 5, "time for 60 degrees without load")
    stall_current: float = number("stall_current_A", ..., 0.05, 60, "current at standstill, full voltage")
    no_load_current: float = number("no_load_current_A", 0.2, 0, 20, "current while turning without load")
    idle_current: float = number("idle_current_A", 0.008, 0, 5, "current at rest")
    dead_band: float = number("dead_band_us", 5, 0, 100, "pulse change that it ignores, full width")
    travel: float = number("travel_deg", 180, 10, 3600, "travel over the whole pulse range")
    pulse_low: float = number("pulse_low_us", 500, 200, 2000, "shortest pulse it takes")
    pulse_high: float = number("pulse_high_us", 2500, 1000, 3500, "longest pulse it takes")
    full_drive_error: float = number("full_drive_error_deg", 3.5, 0.1, 60, "error at which the motor gets full voltage")
    dead_time: float = number("dead_time_ms", 40, 0, 500, "from a changed pulse to the first motion")
    spin_up: float = number("spin_up_ms", 25, 0.1, 1000, "time constant of gaining speed without load")
    limp_friction: float = number("limp_friction_pct", 8, 0, 90, "torque to turn it unpowered, of stall torque")
    seen_play: float = number("seen_play_deg", 0.5, 0, 20, "play between motor and feedback, full width")
    thermal_resistance: float = number("thermal_resistance_K_per_W", 12, 0.1, 500, "warming per watt of loss")
    thermal_time: float = number("thermal_time_s", 300, 1, 20000, "thermal time constant")
    limit_temperature: float = number("limit_C", 65, 30, 200, "case temperature not to pass")
    continuous: float = number(
        "continuous_pct", 30, 1, 100, "steady torque it carries for ever, of stall torque: a rule of thumb"
    )
    mass: float = number("mass_g", ..., 0.5, 5000, "mass")
    price: float = number("price", 0, 0, 1e6, "price of one, in whatever you pay with")
    note: str = text("note", "", "anything worth knowing")
    accept: Accept | None = table("accept", Accept, "what vetting lets pass", optional=True)

    @property
    def limits(self) -> Accept:
        """What vetting lets pass, the defaults where the stock does not say."""
        return self.accept or Accept()

    @property
    def reflected_inertia(self) -> float:
        """Motor inertia seen at the output, kg·m²: spin-up time = inertia · no-load speed / stall torque."""
        return self.spin_up * self.stall_torque / self.no_load_speed

    @property
    def winding_resistance(self) -> float:
        """Ohm: rated voltage over stall current."""
        return self.rated_voltage / self.stall_current

    @property
    def pulse_slope(self) -> float:
        """Seconds of pulse per rad."""
        return (self.pulse_high - self.pulse_low) / self.travel

    @property
    def dead_band_angle(self) -> float:
        """Dead band as an angle, full width, rad."""
        return self.dead_band / self.pulse_slope


@dataclass(frozen=True, kw_only=True)
class Spring:
    """A counter-spring on a joint: torque = -rate · (angle - rest) on the link."""

    rate: float = number("rate_kgcm_per_deg", ..., 0, 100, "torque per degree")
    rest: float = number("rest_deg", ..., -720, 720, "joint angle at which it pulls nothing")


@dataclass(frozen=True, kw_only=True)
class Servoed:
    """What a joint and a gripper share: a servo on a channel, and its pulse and feedback lines."""

    servo_name: str = text("servo", ..., "servo class, a name from stock.toml")
    channel: int = whole("channel", ..., 0, 63, "servo output and wiper input of the controller")
    mark: str = text("serial_mark", "", "serial mark of the very servo that is fitted")
    pulse_at_zero: float = number("pulse_at_zero_us", 1500, 300, 3000, "pulse at joint angle zero")
    pulse_slope: float | None = number("pulse_us_per_deg", None, -200, 200, "pulse per degree; negative turns it round")
    wiper_at_zero: float = number("wiper_at_zero_counts", 512, -4000, 70000, "feedback at joint angle zero")
    wiper_slope: float = number(
        "wiper_counts_per_deg", 2.7, -2000, 2000, "feedback per degree; negative turns it round"
    )
    pulse_rows: Rows | None = rows("pulse_table", ("angle_deg", "pulse_us"), "measured pulses, instead of the line")
    wiper_rows: Rows | None = rows("wiper_table", ("angle_deg", "wiper"), "measured feedback, instead of the line")
    wiper_noise: float = number("wiper_noise_counts", 2, 0, 200, "standard deviation of one feedback reading")
    follows_supply: float = number("wiper_follows_supply_pct", 0, 0, 100, "how far feedback follows the servo supply")
    pulses_known: bool = derived(True)
    wiper_known: bool = derived(True)

    @property
    def pulses_measured(self) -> bool:
        """Whether its pulses were measured where it is fitted: not on a rig, where nobody knew how it would sit."""
        return self.pulse_rows is not None and self.pulses_known

    @property
    def wiper_measured(self) -> bool:
        """Whether its feedback was measured where it is fitted, and by readings that told: else it may well be off."""
        return self.wiper_rows is not None and self.wiper_known


@dataclass(frozen=True, kw_only=True)
class Joint(Servoed):
    """A rotary joint and the link it moves. At zero pose all link frames are parallel to the base."""

    name: str = text("name", ..., "what you call it")
    axis: Vector = vector("axis", ..., "axis of rotation at zero pose, right-handed", 3, -1, 1)
    offset: Vector = vector("offset_mm", ..., "from the joint before (or the base) to this one, at zero pose")
    travel: Vector = vector("travel_deg", ..., "lowest and highest joint angle", 2, -720, 720)
    mass: float = number("mass_g", ..., 0, 50000, "mass of the link this joint moves, servos on it included")
    com: Vector = vector("com_mm", ..., "its centre of mass, from this joint, at zero pose")
    capsule_from: Vector = vector("capsule_from_mm", (0, 0, 0), "start of the link's body, from this joint")
    capsule_to: Vector = vector("capsule_to_mm", ..., "end of the link's body, from this joint")
    capsule_radius: float = number("capsule_radius_mm", ..., 0.1, 1000, "radius of the link's body")
    unseen_play: float = number("unseen_play_deg", 0.9, 0, 30, "play between feedback and link, full width")
    seen_play: float | None = number("seen_play_deg", None, 0, 30, "play between motor and feedback, full width")
    compliance: float = number("compliance_deg_per_Nm", 1.5, 0, 200, "twist of the link per torque")
    joint_friction: float = number("joint_friction_pct", 2, 0, 90, "friction of the joint itself, of stall torque")
    limp_friction: float | None = number("limp_friction_kgcm", None, 0, 500, "torque to turn it limp, as measured")
    hand_tremor: float = number("hand_tremor_deg", 0, 0, 5, "how far a hand that leads the link trembles, either way")
    full_drive: float | None = number("full_drive_error_deg", None, 0.1, 60, "error for full voltage, as measured")
    dead_band: float | None = number("dead_band_deg", None, 0, 30, "angle that it ignores, full width, as measured")
    spring: Spring | None = table("spring", Spring, "counter-spring", optional=True)


@dataclass(frozen=True, kw_only=True)
class Gripper(Servoed):
    """An end effector with two jaws, carried by the last link."""

    fingers: Vector = vector("fingers", (0, 0, 1), "direction in which the fingers point at zero pose", 3, -1, 1)
    jaws: Vector = vector("jaws", (0, 1, 0), "direction in which the jaws open at zero pose", 3, -1, 1)
    tcp: Vector = vector("tcp_mm", ..., "tool centre point from the last joint, at zero pose")
    mass: float = number("mass_g", ..., 0, 20000, "mass of the gripper")
    com: Vector = vector("com_mm", ..., "its centre of mass, from the last joint, at zero pose")
    radius: float = number("radius_mm", 18, 0.1, 1000, "radius of its body, from the last joint to the fingertips")
    finger_length: float = number("finger_length_mm", 45, 1, 1000, "length of the fingers")
    finger_width: float = number("finger_width_mm", 12, 0.5, 500, "width of the fingers")
    opening: Vector = vector("opening_mm", (0, 60), "narrowest and widest gap between the pads", 2, 0, 2000)
    angle_shut: float = number("shut_deg", -40, -720, 720, "servo angle with the pads together")
    angle_open: float = number("open_deg", 40, -720, 720, "servo angle with the jaws wide open")
    travel: Vector = vector("travel_deg", (-50, 50), "lowest and highest servo angle", 2, -720, 720)
    lever: float = number("lever_mm", 40, 1, 1000, "grip force = servo torque over this length")
    friction: float = number("pad_friction", 0.6, 0.01, 3, "coefficient of friction of the pads")
    pad_radius: float = number("pad_radius_mm", 5, 0.1, 200, "effective radius of a pad, for twisting")
    twist_limit: float = number("pad_twist_deg", 5, 0, 180, "twist that the pads give without slipping")
    groove: float = number(
        "groove_deg", 0, 0, 170, "included angle of a V-groove in the pads, along the fingers; 0: flat"
    )
    pads_pivot: bool = flag("pads_pivot", False, "true if the pads turn freely about the line on which they close")


@dataclass(frozen=True, kw_only=True)
class Wire:
    """The supply lead of one arm: one pair of wires, connectors and a fuse."""

    gauge: float = number("gauge_awg", 18, 0, 40, "wire gauge")
    length: float = number("length_m", 0.8, 0, 50, "length of the pair, one way")
    connectors: float = number("connectors_ohm", 0.01, 0, 5, "resistance of switch, fuse and connectors")
    fuse: float = number("fuse_A", 10, 0.1, 200, "rating of the fuse")

    @property
    def resistance(self) -> float:
        """Ohm, out and back."""
        return wire_resistance(self.gauge, 2.0 * self.length) + self.connectors


@dataclass(frozen=True, kw_only=True)
class Arm:
    """One arm: where it is bolted, its joints from base to gripper, and its supply lead."""

    name: str = derived()
    base: Vector = vector("base_mm", ..., "where its base stands on the table")
    yaw: float = number("base_yaw_deg", ..., -360, 360, "how far its base is turned about z")
    joints: tuple[Joint, ...] = tables("joint", Joint, "its joints, from the base outwards")
    gripper: Gripper = table("gripper", Gripper, "its end effector")
    wire: Wire = table("wire", Wire, "its supply lead")


@dataclass(frozen=True, kw_only=True)
class Supply:
    """The servo supply."""

    voltage: float = number("voltage_V", ..., 1, 60, "voltage without load")
    resistance: float = number("resistance_ohm", 0.02, 0, 10, "inner resistance")
    limit: float = number("limit_A", ..., 0.1, 500, "current it gives for ever")


@dataclass(frozen=True, kw_only=True)
class Controller:
    """The controller's figures that matter for time and feedback."""

    channels: int = whole("channels", 12, 1, 64, "servo outputs with a wiper input each")
    frame: float = number("frame_ms", 20, 2, 100, "time between two pulses of a channel")
    pulse_step: float = number("pulse_step_us", 0.5, 0.01, 50, "smallest change of a pulse")
    wiper_bits: int = whole("wiper_bits", 10, 6, 16, "resolution of the feedback inputs")
    reference: float = number("reference_V", 5, 0.5, 10, "reference of the feedback inputs")
    averaged: int = whole("averaged", 8, 1, 64, "readings averaged per sample")


@dataclass(frozen=True, kw_only=True)
class Stop:
    """What a stop does."""

    category: int = whole("category", 1, 0, 1, "stop category: 1 ramps down, then cuts; 0 cuts at once")
    time: float = number("time_s", 0.6, 0.05, 5, "time within which category 1 ends, cut")


@dataclass(frozen=True, kw_only=True)
class Table:
    """The table top, at z = 0."""

    low: Vector = vector("low_mm", ..., "corner with the smallest x and y", 2)
    high: Vector = vector("high_mm", ..., "corner with the largest x and y", 2)


@dataclass(frozen=True, kw_only=True)
class Obstacle:
    """A box that stands about."""

    name: str = derived()
    center: Vector = vector("center_mm", ..., "its middle")
    size: Vector = vector("size_mm", ..., "its extent along its own x, y and z", 3, 0.01, 100000)
    yaw: float = number("yaw_deg", 0, -360, 360, "how far it is turned about z")


SLIM = 4.0
"""A thing this many times longer than thick is a rod: it has a tip, and writes."""


@dataclass(frozen=True, kw_only=True)
class Thing:
    """Something the arms handle."""

    name: str = derived()
    size: Vector = vector("size_mm", ..., "its extent along its own x, y and z", 3, 0.01, 10000)
    mass: float = number("mass_g", ..., 0, 100000, "mass")
    friction: float = number("friction", 0.5, 0.01, 3, "coefficient of friction of its skin against rubber pads")
    grip_width: float = number("grip_width_mm", ..., 0.01, 2000, "width between the pads when it is held")
    grip_height: float = number("grip_height_mm", 0, -5000, 5000, "height of the grip above its middle")
    grip_span: float = number("grip_span_mm", 0, 0, 5000, "distance of the two grips of a carry, 0 if one arm holds it")
    crush_force: float = number("crush_N", 40, 0.01, 10000, "squeeze that damages it")

    @property
    def is_rod(self) -> bool:
        """Whether it is long and thin, like a pen."""
        return self.size[2] > SLIM * max(self.size[0], self.size[1])


@dataclass(frozen=True, kw_only=True)
class Ambient:
    """The room."""

    temperature: float = number("temperature_C", 23, -30, 60, "temperature of the air")


@dataclass(frozen=True, kw_only=True)
class Question:
    """What counts as failing and as enough in one of the questions: room = (margin - limit) / (enough - limit)."""

    name: str = derived()
    limit: float = number("limit", ..., -1e6, 1e6, "margin below which the answer is `fails`")
    enough: float = number("enough", ..., -1e6, 1e6, "margin from which the answer is `holds`")


@dataclass(frozen=True, kw_only=True)
class About:
    """What the bench is called."""

    name: str = text("name", ..., "what you call this bench")
    layout: int = whole("layout", 1, 1, 1, "version of this file's layout")
    invented: bool = flag("invented", False, "true if its numbers are invented for a demonstration")


@dataclass(frozen=True, kw_only=True)
class ArmPair:
    """The two arms."""

    left: Arm = table("left", Arm, "the left arm")
    right: Arm = table("right", Arm, "the right arm")


@dataclass(frozen=True, kw_only=True)
class Bench:
    """The whole set-up, as `bench.toml` describes it and `measured.toml` amends it."""

    about: About = table("bench", About, "what the bench is called")
    arms: ArmPair = table("arms", ArmPair, "the two arms")
    table_top: Table = table("table", Table, "the table top")
    supply: Supply = table("supply", Supply, "the servo supply")
    controller: Controller = table("controller", Controller, "the controller")
    stop: Stop | None = table("stop", Stop, "what a stop does", optional=True)
    ambient: Ambient | None = table("ambient", Ambient, "the room", optional=True)
    obstacles: tuple[Obstacle, ...] = named("obstacle", Obstacle, "boxes that stand about")
    things: tuple[Thing, ...] = named("thing", Thing, "what the arms handle")
    questions: tuple[Question, ...] = named("question", Question, "limits of your own for a question")
    stock: tuple[Servo, ...] = derived(())

    def arm(self, side: str) -> Arm:
        """The arm called 'left' or 'right'."""
        return self.arms.left if side == "left" else self.arms.right

    def servo(self, name: str) -> Servo:
        """The servo class of that name."""
        return next(s for s in self.stock if s.name == name)

    def thing(self, name: str) -> Thing:
        """The thing of that name."""
        return next(t for t in self.things if t.name == name)

    def servo_of(self, part: Servoed) -> Servo:
        """The servo class fitted to a joint or a gripper."""
        return self.servo(part.servo_name)

    def seen_play_of(self, joint: Joint) -> float:
        """Play between motor and feedback at a joint, full width, rad."""
        return self.servo_of(joint).seen_play if joint.seen_play is None else joint.seen_play

    @property
    def joints(self) -> tuple[Joint, ...]:
        """All joints, left arm first: the order of the columns of every (N, joints) array."""
        return self.arms.left.joints + self.arms.right.joints

    @property
    def joint_names(self) -> tuple[str, ...]:
        """'left shoulder', ... in the order of `joints`."""
        return tuple(f"{side} {joint.name}" for side in SIDES for joint in self.arm(side).joints)

    def columns(self, side: str) -> slice:
        """Columns of an (N, joints) array that belong to one arm."""
        count = len(self.arms.left.joints)
        return slice(0, count) if side == "left" else slice(count, len(self.joints))

    @property
    def stop_rule(self) -> Stop:
        """What a stop does, the default where the bench does not say."""
        return self.stop or Stop()

    @property
    def ambient_temperature(self) -> float:
        """Temperature of the air, K."""
        return (self.ambient or Ambient()).temperature
