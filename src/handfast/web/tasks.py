"""Work that takes a while, asked for from the page: rehearsing, measuring, scoring. One after another for a bench."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from handfast.desk.work import Desk, routines
from handfast.errors import HandfastError, InputError
from handfast.web.words import in_page

if TYPE_CHECKING:
    from handfast.desk.measuring import Fitted
    from handfast.web.place import Place

SEED = 1
"""Which simulated arms the page works with: the same ones for running, teaching and measuring."""

TOLD_EVERY = 0.2
"""s between two lines that the page is told."""


class EndedError(Exception):
    """Somebody asked for an end."""


def own_fault(error: Exception) -> str:
    """Words for what should not have happened."""
    return f"a fault of handfast's own: {error!r}; nothing goes on by itself"


@dataclass
class Task:
    """One piece of work. tell: gets what the page shows, from the thread that works."""

    kind: str
    tell: Callable[[dict[str, Any]], None]
    going: bool = True
    _end: threading.Event = field(default_factory=threading.Event)
    _told: float = 0.0

    def end(self) -> None:
        """Ask for an end; what was written by then stays."""
        self._end.set()

    def progress(self, share: float) -> None:
        """How much is done."""
        if self._end.is_set():
            raise EndedError
        now = time.monotonic()
        if now - self._told >= TOLD_EVERY:
            self._told = now
            self.tell({"kind": self.kind, "going": True, "share": round(share, 3)})

    def work(self, act: Callable[[Task], dict[str, Any]]) -> None:
        """From the beginning to the end; whatever happens is told."""
        self.tell({"kind": self.kind, "going": True, "share": 0.0})
        try:
            self.progress(0.0)
            found = act(self)
            said: dict[str, Any] = {"result": found}
        except EndedError:
            said = {"error": "ended before it was done"}
        except HandfastError as error:
            said = {"error": in_page(error)}
        except Exception as error:  # whatever it is, nobody waits for it for ever
            said = {"error": own_fault(error)}
        self.going = False
        self.tell({"kind": self.kind, "going": False, "share": 1.0, **said})


def task_for(place: Place, said: dict[str, Any]) -> Callable[[Task], dict[str, Any]]:
    """What to do for a wish of the page. Raises InputError if it is none."""
    desk = place.now
    kind = str(said.get("kind"))
    match kind:
        case "rehearse":
            return lambda task: _rehearse(desk, _routine(desk, said), task)
        case "score arms":
            return lambda task: _score_arms(desk, _routine(desk, said), task)
        case "score points":
            path = _kept(desk, said)
            return lambda task: _score_points(desk, path)
        case "score photo":
            path = _kept(desk, said)
            line = float(said["line_mm"]) * 1e-3
            return lambda task: _score_photo(desk, path, line, str(said["routine"]))
        case "readings":
            return lambda task: _readings(desk, task)
        case "fit":
            return lambda task: _fit(desk)
        case "vet arms":
            return lambda task: _vet_arms(desk, task)
        case "vet files":
            return lambda task: _vet_files(desk, str(said.get("class", "")))
        case other:
            raise InputError(f'"{other[:40]}" is no work that can be asked for')


def _routine(desk: Desk, said: dict[str, Any]) -> Any:
    ((_, routine),) = routines(desk, [str(said["routine"])])
    return routine


def _kept(desk: Desk, said: dict[str, Any]) -> Path:
    """A file that was handed in."""
    name = str(said["file"])
    path = desk.folder.root / "scores" / name
    if name != Path(name).name or not path.is_file():
        raise InputError("no such file was handed in", asked=name, next_step="hand it in again")
    return path


def _rehearse(desk: Desk, routine: Any, task: Task) -> dict[str, Any]:
    from handfast.desk.plain import rehearsed_plain
    from handfast.desk.rehearsing import rehearse

    done = rehearse(desk.bench, routine, "corrected", None, task.progress)
    titles = [routine.title(n) for n in range(len(routine.steps))]
    return {**rehearsed_plain(done, None), "titles": titles}


def _score_arms(desk: Desk, routine: Any, task: Task) -> dict[str, Any]:
    from handfast.desk import scoring

    path = scoring.measure_simulated(desk, routine, SEED, progress=task.progress)
    return {**_score_points(desk, path), "routine": routine.name}


def _score_points(desk: Desk, path: Path) -> dict[str, Any]:
    from handfast.desk import scoring
    from handfast.desk.plain import points_plain

    plain = points_plain(scoring.score_points(path))
    kept = scoring.keep(desk, str(path), plain)
    return {**plain, "of": path.name, "stored": str(kept.relative_to(desk.folder.root))}


def _score_photo(desk: Desk, path: Path, line: float, name: str) -> dict[str, Any]:
    from handfast.desk import scoring
    from handfast.desk.plain import photo_plain

    found = scoring.score_photo(desk, path, line, None, None, 0.0, name, None)
    plain = photo_plain(found)
    kept = scoring.keep(desk, str(path), plain)
    return {**plain, "of": path.name, "stored": str(kept.relative_to(desk.folder.root)), "routine": name}


def _readings(desk: Desk, task: Task) -> dict[str, Any]:
    from handfast.desk import measuring

    path = measuring.take_simulated(desk, SEED)
    task.progress(0.9)
    return {"written": str(path.relative_to(desk.folder.root)), **_fit(desk)}


def fitted(desk: Desk) -> tuple[Fitted, int]:
    """What all of the bench's readings say of it, and how many there are."""
    from handfast.desk import measuring
    from handfast.records.readings import Readings

    files = sorted((desk.folder.root / "readings").glob("*.toml"))
    readings = measuring.read_all(desk, files) if files else Readings()
    return measuring.fit(desk, readings, files=files), len(readings)


def _fit(desk: Desk) -> dict[str, Any]:
    from handfast.desk.measuring import GOAL
    from handfast.desk.plain import fitted_plain
    from handfast.units import DEGREE

    found, count = fitted(desk)
    plain = fitted_plain(found)
    for said, advice in zip(plain["advice"], found.advice, strict=True):
        said["pose_deg"] = {
            side: [round(float(v) / DEGREE, 2) for v in advice.pose[desk.bench.columns(side)]]
            for side in ("left", "right")
        }
    batches = [m.batch for m in desk.measured]
    return {
        **plain, "readings": count, "goal_mm": round(GOAL * 1e3, 3), "last_batch": batches[-1] if batches else None,
        "files": sorted(path.name for path in (desk.folder.root / "readings").glob("*.toml")),
    }  # fmt: skip


def _vet_arms(desk: Desk, task: Task) -> dict[str, Any]:
    from handfast.desk import vetting

    done = vetting.vet_simulated(desk, 12, SEED, desk.bench.joints[0].servo_name, None, task.progress)
    return _vetted(desk, done)


def _vet_files(desk: Desk, name: str) -> dict[str, Any]:
    from handfast.desk import vetting

    files = sorted((desk.folder.root / "sweeps").glob("*.csv"))
    if not files:
        raise InputError("no sweep was handed in yet", where=str(desk.folder.root / "sweeps"), next_step="hand one in")
    return _vetted(desk, vetting.vet_files(desk, files, name))


def _vetted(desk: Desk, done: Any) -> dict[str, Any]:
    from handfast.desk.plain import vetted_plain

    return vetted_plain(done, desk.bench.stock)
