"""A run in which somebody moves TCPs onto their marks: who is asked, what each mark would change, what is learned."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import TYPE_CHECKING

from handfast.desk.work import Desk
from handfast.units import counted

if TYPE_CHECKING:
    from handfast.motion.laid_down import Motion
    from handfast.sessions.nudging import AtTheKeys, Foot, Mark


class NudgedRun:
    """Nudging in one run of the routine in `path`. keys: letters typed since the last time; say: tells the maker;
    ended: whether no more keys will come; foot: the pedal, if it takes the place of keys, too."""

    def __init__(
        self, desk: Desk, path: Path, motion: Motion, keys: Callable[[], str], say: Callable[[str], None],
        ended: Callable[[], bool] = lambda: False, foot: Foot | None = None,
    ):  # fmt: skip
        self._foot = foot
        self._desk, self._path, self._motion, self._keys, self._say = desk, path, motion, keys, say
        self._ended = ended
        self._at: AtTheKeys | None = None

    def __call__(self, idle: Callable[[], None]) -> AtTheKeys:
        """The maker at the keys; idle: lets a little time pass."""
        from handfast.desk.measuring import foreseen
        from handfast.sessions.nudging import AtTheKeys

        expected = foreseen(self._desk, self._path)
        self._at = AtTheKeys(
            self._motion.routine, expected, self._keys, idle, self._say, self._would, self._ended, self._foot
        )
        return self._at

    def _would(self, marks: list[Mark]) -> str:
        from handfast.desk.measuring import MUCH, marks_foreseen

        done = marks_foreseen(self._desk, self._path, self._motion, marks)
        words = f"its poses were foreseen {_middle(done.before)} off, and with this {_middle(done.after)}"
        left = done.beside[marks[-1].step, marks[-1].side]
        if left > MUCH:
            words += f"; {left * 1e3:.1f} mm no figure explains: see that nothing slipped, and that this is its mark"
        return words

    def learn(self) -> list[str]:
        """Write what the marks taught, and say it in lines; none, if there was no mark."""
        from handfast.desk.measuring import learn_marks

        marks = [] if self._at is None else self._at.marks
        if not marks:
            return []
        done = learn_marks(self._desk, self._path, self._motion, marks)
        many = counted(len(marks), "mark")
        name = self._motion.routine.name
        return [
            f"{self._path}: learned from {many} and corrected anew",
            f"foreseen miss of its poses: {_middle(done.before)} before, {_middle(done.after)} now",
            *done.beside_words(),
            f"readings in {done.readings_file}; figures in measured.toml, batch {done.batch}",
            f"next: handfast run {name}; handfast calibrate --undo takes all of it back",
        ]


def _middle(off: list[float]) -> str:
    return f"{1e3 * median(off):.1f} mm (worst {1e3 * max(off):.1f})"
