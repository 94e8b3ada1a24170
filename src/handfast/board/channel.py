"""One output of the Python board: how its pulse moves, attaches, feels, and whether its wiper follows."""

from __future__ import annotations

from dataclasses import dataclass

from handfast.board.limits import ChannelLimits

FRAME = 20
"""ms."""
ATTACHING, ATTACHED, FEELING = 1, 2, 3
"""Channel states of the wire table; 0 is off."""
FIRST_FRAMES = 10
"""Least frames of attaching."""
OPEN_FRAMES = 5
"""Frames that a wiper must be outside its window to count as open."""
NEARER = 16
"""By how much a wiper must have come nearer than ever to count as following, counts/16: more than its noise."""


def per_frame(speed: int, frames: int) -> int:
    """By how much a speed has to fall per frame to be gone after so many, µs/8 per frame."""
    return -(-abs(speed) // frames)


@dataclass
class Channel:
    """Pulses in µs/8, speeds in µs/8 per frame, wipers in counts/16; `out` 0 gives no pulse.

    less: by how much the speed falls per frame while it comes to rest (`resting`). from_time, from_pulse: where the
    straight line to the next target begins. The rest belongs to attaching (first, goal, ramp, wait), to feeling (goal,
    every, left, allowed, felt_at), and to watching (open_frames, away_ms, best).
    """

    limits: ChannelLimits | None = None
    state: int = 0
    out: int = 0
    speed: int = 0
    less: int = 1
    resting: bool = False
    from_time: int = 0
    from_pulse: int = 0
    first: int = 0
    goal: int = 0
    ramp: int = 0
    wait: int = 0
    every: int = 0
    left: int = 0
    allowed: int = 0
    felt_at: int = 0
    open_frames: int = 0
    away_ms: int = 0
    best: int = 0

    def off(self) -> None:
        """No more pulses."""
        self.state = self.out = self.speed = 0
        self.resting = False

    def come_down(self, frames: int) -> None:
        """Lose the speed within so many frames; an attach ramp ends where it is."""
        self.less, self.resting = per_frame(self.speed, frames), True
        if self.state == ATTACHING:
            self.goal = self.out or self.first

    def _move(self, wanted: int) -> None:
        """Set the output, within slew and travel whatever was asked."""
        assert self.limits is not None
        before = self.out
        step = min(max(wanted - before, -self.limits.slew), self.limits.slew)
        self.out = min(max(before + step, self.limits.travel_low), self.limits.travel_high)
        self.speed = self.out - before

    def _slower(self) -> int:
        return max(abs(self.speed) - max(self.less, 1), 0) * (1 if self.speed > 0 else -1)

    def track(self, now: int, coming: tuple[int, int] | None) -> None:
        """One frame of an attached channel: along the line to the `coming` target, to the last one, or to rest."""
        if coming is not None:
            share = (now - self.from_time) / max(coming[0] - self.from_time, 1)
            self._move(round(self.from_pulse + (coming[1] - self.from_pulse) * share))
        elif self.resting:
            self._move(self.out + self._slower())
            self.resting, self.from_pulse = self.speed != 0, self.out
        else:
            self._move(self.from_pulse)

    def come_to_rest(self, park_within: int) -> None:
        """One frame of a stop; park_within: frames left for the way to the park pose, 0 to come to rest anywhere."""
        if not self.out or self.limits is None:
            return
        if park_within and self.limits.park and self.state == ATTACHED:
            even = abs(self.limits.park - self.out) // park_within
            self._move(self.out + min(max(self.limits.park - self.out, -even), even))
        else:
            self._move(self.out + self._slower())

    def attach_on(self, now: int) -> None:
        """One frame of attaching: the measured pose first, then the ramp."""
        self.out = self.out + min(max(self.goal - self.out, -self.ramp), self.ramp) if self.out else self.first
        self.speed = 0
        self.wait -= 1
        if self.wait <= 0 and self.out == self.goal:
            self.state = ATTACHED
            self.from_time, self.from_pulse = now, self.out

    def feel_on(self, now: int, moved: int) -> bool | None:
        """One frame of feeling; None while it goes on, else whether the servo stood still and is attached."""
        self.out = 0  # the pulse before was a single one
        if moved > self.allowed:
            self.off()
            return False
        if self.wait > 0:
            self.wait -= 1
            return None
        if self.left == 0:
            self.state, self.out, self.from_pulse, self.from_time = ATTACHED, self.goal, self.goal, now
            return True
        self.left -= 1
        self.wait = self.every - 1
        self.out = self.goal
        return None

    def watch(self, wiper: int) -> tuple[str, int]:
        """One frame of watching a channel with pulses: cause of a stop, or "", and how far the wiper is away."""
        limits = self.limits
        if limits is None or self.state not in (ATTACHING, ATTACHED) or not self.out:
            self.open_frames = self.away_ms = self.best = 0
            return "", 0
        self.open_frames = 0 if limits.wiper_low <= wiper <= limits.wiper_high else self.open_frames + 1
        if self.open_frames >= OPEN_FRAMES:
            return "wiper_open", 0
        if not limits.wipers:
            return "", 0
        error = wiper - limits.wiper_at(self.out)
        if not limits.follow or abs(error) <= limits.follow:
            self.away_ms = self.best = 0
        elif not self.best or abs(error) + NEARER <= self.best:
            self.away_ms, self.best = 0, abs(error)
        else:
            self.away_ms += FRAME
        return ("does_not_follow" if self.away_ms >= limits.follow_ms else ""), error
