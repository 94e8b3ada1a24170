"""Everybody who looks at the page: what they ask, who holds the controls, and what they are told."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fastapi import WebSocket, WebSocketDisconnect

from handfast.bench.folder import BenchFolder
from handfast.bench.parts import SIDES
from handfast.desk import beginning
from handfast.desk.handing_in import keep_given
from handfast.errors import HandfastError, InputError
from handfast.web.live import PageRun
from handfast.web.place import Place, inside
from handfast.web.words import in_page

LOOKS_EVERY = 0.4
"""Time between two looks at the files, s."""


@dataclass
class Viewer:
    """One open page."""

    number: int
    socket: WebSocket
    place: Place | None = None
    routine: str | None = None
    queue: asyncio.Queue[dict[str, Any]] = field(default_factory=asyncio.Queue)

    def tell(self, message: dict[str, Any]) -> None:
        """Send something as soon as may be."""
        self.queue.put_nowait(message)


class Hub:
    """All viewers and all benches that they have open. arms: the port of a board, or None for simulated arms."""

    def __init__(self, root: Path, first: BenchFolder | None, arms: str | None = None):
        self.root, self.first, self.arms = root.resolve(), first, arms
        self.viewers: dict[int, Viewer] = {}
        self.places: dict[Path, Place] = {}
        self.holders: dict[Path, int] = {}
        self._numbers = itertools.count(1)
        self._tasks: set[asyncio.Task[Any]] = set()

    # -- one viewer --------------------------------------------------------------------------------------

    async def serve(self, socket: WebSocket) -> None:
        """Speak with one page until it goes."""
        await socket.accept()
        viewer = Viewer(next(self._numbers), socket)
        self.viewers[viewer.number] = viewer
        sender = asyncio.create_task(self._send(viewer))
        try:
            while True:
                text = await socket.receive_text()
                await self._take(viewer, text)
        except (WebSocketDisconnect, RuntimeError):
            pass
        finally:
            sender.cancel()
            del self.viewers[viewer.number]
            self._let_go(viewer)

    async def _send(self, viewer: Viewer) -> None:
        with contextlib.suppress(WebSocketDisconnect, RuntimeError):
            while True:
                await viewer.socket.send_text(json.dumps(await viewer.queue.get(), ensure_ascii=False))

    async def _take(self, viewer: Viewer, text: str) -> None:
        number, said = None, {}
        try:
            said = json.loads(text)
            if not isinstance(said, dict):
                said = {}
                raise InputError("a message is a table")
            number = said.get("id")
            answer = await self._do(viewer, said)
            viewer.tell({"id": number, "ok": True, **(answer or {})})
        except HandfastError as error:
            viewer.tell({"id": number, "ok": False, "error": in_page(error, said.get("do") == "edit")})
        except OSError as error:
            words = f"the disk refused this ({error.strerror})\n  next: see whether it is full, or may be written to"
            viewer.tell({"id": number, "ok": False, "error": words})
        except (KeyError, ValueError, TypeError, IndexError) as error:
            viewer.tell({"id": number, "ok": False, "error": f"this cannot be understood: {error!r}"})

    async def _do(self, viewer: Viewer, said: dict[str, Any]) -> dict[str, Any] | None:
        match said.get("do"):
            case "hello":
                return await self._hello(viewer)
            case "open":
                return await self._open(viewer, BenchFolder(inside(self.root, str(said["path"]))))
            case "seedling":
                return await self._open(viewer, beginning.seedling(self.root, str(said.get("name", "seedling"))))
            case "blank":
                left, right = int(said["left"]), int(said["right"])
                values = beginning.blank(left, right, bool(said.get("side_by_side")))
                return {"values": values, "stock": beginning.stock(), "explained": beginning.explained()}
            case "check bench":
                beginning.check(
                    self.root, str(said["name"]), int(said["left"]), int(said["right"]),
                    bool(said.get("side_by_side")), dict(said["values"]),
                )  # fmt: skip
                return None
            case "lay down":
                made = beginning.lay_down(
                    self.root, str(said["name"]), int(said["left"]), int(said["right"]),
                    bool(said.get("side_by_side")), dict(said["values"]),
                )  # fmt: skip
                return await self._open(viewer, made)
            case "close":
                self._let_go(viewer)
                viewer.place = None
                self.first = None
                return await self._hello(viewer)
            case "routine":
                viewer.routine = str(said["name"])
                await self._show(viewer)
                return None
            case "solve":
                return self._placed(viewer).solve(said)
            case "reach":
                place = self._placed(viewer)
                loop = asyncio.get_running_loop()
                return {"reach": await loop.run_in_executor(place.trying, place.reach)}
            case "controls":
                self._take_controls(viewer)
                return None
            case "edit":
                return await self._edited(viewer, lambda place: place.edit(said))
            case "undo":
                return await self._edited(viewer, lambda place: place.undo())
            case "redo":
                return await self._edited(viewer, lambda place: place.redo())
            case "run":
                self._run(viewer, said)
                return None
            case "halt":
                self._halt(viewer)
                return None
            case "task":
                self._task(viewer, said)
                return None
            case "end task":
                self._holds(viewer)
                for task in self._placed(viewer).tasks:
                    if task.kind == said.get("kind"):
                        task.end()
                return None
            case "calibrate":
                return await self._edited(viewer, lambda place: place.calibrate())
            case "teach":
                self._teach(viewer, str(said["name"]), said.get("resume") is True)
                return None
            case "lead" | "press" | "lead through" | "let go" | "end teaching":
                self._led(viewer, said)
                return None
            case "nudge":
                self._holds(viewer)
                run = self._placed(viewer).run
                if run is None or not run.going or not run.nudges:
                    raise InputError("nothing waits to be nudged", next_step="run it so that it waits at its poses")
                run.press(str(said["letter"]))
                return None
            case "read" | "sweep":
                self._read(viewer, said["do"] == "sweep")
                return None
            case "read line" | "end reading":
                self._said_of_reading(viewer, said)
                return None
            case "hold":
                if viewer.place is not None and viewer.place.run is not None and self._is_holder(viewer):
                    viewer.place.run.hold(said.get("on") is True)
                return None
            case other:
                raise InputError(f'"{str(other)[:40]}" is nothing that can be done here')

    def _placed(self, viewer: Viewer) -> Place:
        if viewer.place is None:
            raise InputError("no bench is open", next_step="open one first")
        return viewer.place

    async def _hello(self, viewer: Viewer) -> dict[str, Any]:
        if viewer.place is None and self.first is not None:
            return await self._open(viewer, self.first)
        found = await asyncio.get_running_loop().run_in_executor(None, beginning.benches, self.root)
        return {"first": {"root": str(self.root), "benches": [vars(bench) for bench in found]}, "bench": None}

    async def _open(self, viewer: Viewer, folder: BenchFolder) -> dict[str, Any]:
        root = folder.root.resolve()
        if not folder.file.is_file():
            raise InputError("no bench.toml in this folder", where=str(root), expected="a bench folder")
        place = self.places.get(root)
        if place is None:
            place = Place(BenchFolder(root))
            await asyncio.get_running_loop().run_in_executor(place.work, place.open)
            self.places[root] = place
        self._let_go(viewer)
        viewer.place, viewer.routine = place, None
        self.holders.setdefault(root, viewer.number)
        self._tell_holders(place)
        return {
            "state": place.bench_state(), "you": viewer.number, "holder": self.holders[root], "arms": self.arms,
            "going": place.going,
        }  # fmt: skip

    # -- live --------------------------------------------------------------------------------------------

    def _run(self, viewer: Viewer, said: dict[str, Any]) -> None:
        self._holds(viewer)
        place = self._placed(viewer)
        self._free(place)
        if place.look() is not None or int(said["version"]) != place.version:
            raise InputError(
                "the files were changed meanwhile", next_step="look at what is there now, then run it again"
            )
        loop = asyncio.get_running_loop()

        def tell(shown: dict[str, Any]) -> None:
            loop.call_soon_threadsafe(self._push, place, {"push": "run", "run": shown})

        place.run = PageRun(
            place.now, str(said["routine"]), tell, self.arms, [str(name) for name in said.get("overrule", [])],
            nudges=said.get("nudges") is True,
        )  # fmt: skip
        self._until(place, loop.run_in_executor(place.playing, place.run.play), "learned from nudges")

    def _until(self, place: Place, work: asyncio.Future[None], words: str) -> None:
        """When it has ended, take in what it wrote."""

        async def then() -> None:
            await work
            if place.run is not None and place.run.learned:
                await asyncio.get_running_loop().run_in_executor(place.work, place.taken, words)
                await self._refresh(place)

        task = asyncio.create_task(then())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _free(self, place: Place) -> None:
        """Refuse where the arms, real or simulated, are at work already."""
        if place.run is not None and place.run.going:
            raise InputError("the arms are moving already", next_step="stop them first")
        if place.teaching is not None and place.teaching.going:
            raise InputError("the arms are being taught", next_step="end the teaching first")
        if place.reading is not None and place.reading.going:
            raise InputError("readings are being taken at the arms", next_step="end that first")
        busy = [task.kind for task in place.tasks if task.going]
        if self.arms is not None and busy:
            raise InputError(f"still at work: {busy[0]}", next_step="wait for it, or end it, before real arms move")

    def _task(self, viewer: Viewer, said: dict[str, Any]) -> None:
        """Work that takes a while; what is asked for meanwhile waits its turn."""
        from handfast.web.tasks import Task, task_for

        self._holds(viewer)
        place = self._placed(viewer)
        place.tasks = [task for task in place.tasks if task.going]
        if self.arms is not None and place.at_the_arms:
            raise InputError("the arms are at work, and nothing else until they rest", next_step="end that first")
        if any(task.kind == said.get("kind") for task in place.tasks):
            raise InputError(f"still at work: {said.get('kind')}", next_step="wait for it, or end it")
        act = task_for(place, said)
        loop = asyncio.get_running_loop()

        def tell(shown: dict[str, Any]) -> None:
            loop.call_soon_threadsafe(self._push, place, {"push": "task", "task": shown})

        task = Task(str(said["kind"]), tell)
        place.tasks.append(task)
        self._push(place, {"push": "task", "task": {"kind": task.kind, "going": True, "share": 0.0}})
        loop.run_in_executor(place.working, task.work, act)

    def _teach(self, viewer: Viewer, name: str, resume: bool) -> None:
        from handfast.desk.teaching import recording_path
        from handfast.desk.work import free_routine
        from handfast.web.teaching import PageTeaching

        self._holds(viewer)
        place = self._placed(viewer)
        self._free(place)
        recording_path(place.now, name, resume)
        free_routine(place.now, name, False)
        loop = asyncio.get_running_loop()

        def tell(shown: dict[str, Any]) -> None:
            loop.call_soon_threadsafe(self._push, place, {"push": "teaching", "teaching": shown})

        teaching = place.teaching = PageTeaching(place.now, name, tell, self.arms, resume)

        async def until_written() -> None:
            await loop.run_in_executor(place.playing, teaching.record)
            if teaching.routine is not None:
                await loop.run_in_executor(place.work, place.taken, f"taught {teaching.routine} by hand")
                await self._refresh(place)

        task = asyncio.create_task(until_written())
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    def _read(self, viewer: Viewer, sweeps: bool) -> None:
        """Readings at the limp arms of a board, as somebody at the page says them, or its joints swept."""
        from handfast.web.reading import PageReading

        self._holds(viewer)
        place = self._placed(viewer)
        if self.arms is None:
            raise InputError(
                "there are no arms to read at", expected="a board's port", next_step="handfast open --arms PORT"
            )
        self._free(place)
        loop = asyncio.get_running_loop()

        def tell(shown: dict[str, Any]) -> None:
            loop.call_soon_threadsafe(self._push, place, {"push": "reading", "reading": shown})

        place.reading = PageReading(place.now, tell, self.arms, sweeps)
        loop.run_in_executor(place.playing, place.reading.read)

    def _said_of_reading(self, viewer: Viewer, said: dict[str, Any]) -> None:
        self._holds(viewer)
        reading = self._placed(viewer).reading
        if reading is None or not reading.going:
            raise InputError("no readings are being taken", next_step="begin first")
        if said["do"] == "end reading":
            reading.end()
        else:
            reading.line(str(said["line"]))

    def _led(self, viewer: Viewer, said: dict[str, Any]) -> None:
        """What the hand does, and what is pressed, while arms are taught."""
        self._holds(viewer)
        teaching = self._placed(viewer).teaching
        if teaching is None or not teaching.going:
            raise InputError("nothing is being taught", next_step="begin to teach first")
        if self.arms is not None and said["do"] in ("lead", "lead through", "let go"):
            raise InputError("these are real arms: your own hands lead them", next_step="lead them by hand")
        match said["do"]:
            case "lead":
                side = SIDES[SIDES.index(said["arm"])]
                teaching.lead(side, [float(v) for v in said["pose_deg"]], min(max(float(said["ms"]), 20.0), 10_000.0))
            case "press":
                teaching.press(str(said["letter"]))
            case "lead through":
                teaching.lead_through(str(said["routine"]))
            case "let go":
                teaching.let_go()
            case _:
                teaching.end()

    async def hand_in(self, number: int, kind: str, name: str, data: bytes) -> dict[str, str]:
        """A file that a maker hands in: the free name under which the bench's folder keeps it, or why it does not.

        A file that is refused is an answer like any other. Raises InputError where nobody here may hand anything in.
        """
        viewer = self.viewers.get(number)
        if viewer is None:
            raise InputError("this page has no link to handfast", next_step="load it anew")
        self._holds(viewer)
        place = self._placed(viewer)
        loop = asyncio.get_running_loop()
        try:
            return {"file": await loop.run_in_executor(None, keep_given, place.now, kind, name, data)}
        except HandfastError as error:
            return {"error": str(error)}

    def _push(self, place: Place, message: dict[str, Any]) -> None:
        for viewer in self._at(place):
            viewer.tell(message)

    def _halt(self, viewer: Viewer) -> None:
        """Anybody who looks may stop the arms."""
        place = self._placed(viewer)
        if place.run is not None:
            place.run.halt("STOP was pressed")
        for session in (place.teaching, place.reading):
            if session is not None:
                session.end()

    # -- controls ----------------------------------------------------------------------------------------

    def _is_holder(self, viewer: Viewer) -> bool:
        return viewer.place is not None and self.holders.get(viewer.place.folder.root) == viewer.number

    def _take_controls(self, viewer: Viewer) -> None:
        place = self._placed(viewer)
        if not self._is_holder(viewer):
            if place.run is not None and place.run.going:
                place.run.halt("another window took the controls")
            if place.reading is not None:
                place.reading.end()
        self.holders[place.folder.root] = viewer.number
        self._tell_holders(place)

    def _let_go(self, viewer: Viewer) -> None:
        """A page that goes leaves its controls to whoever takes them next; nothing is passed on by itself."""
        if viewer.place is None:
            return
        root = viewer.place.folder.root
        if self.holders.get(root) == viewer.number:
            if viewer.place.run is not None and viewer.place.run.going:
                viewer.place.run.halt("the page that held the controls went away")
            for session in (viewer.place.teaching, viewer.place.reading):
                if session is not None:
                    session.end()
            del self.holders[root]
            self._tell_holders(viewer.place)

    def _holds(self, viewer: Viewer) -> None:
        place = self._placed(viewer)
        if self.holders.get(place.folder.root) != viewer.number:
            raise InputError(
                "another window holds the controls; this one watches",
                next_step="take the controls first, when nobody works at the other one",
            )

    def _tell_holders(self, place: Place) -> None:
        holder = self.holders.get(place.folder.root)
        for viewer in self._at(place):
            viewer.tell({"push": "holder", "holder": holder, "you": viewer.number})

    def _at(self, place: Place) -> list[Viewer]:
        return [viewer for viewer in self.viewers.values() if viewer.place is place]

    # -- showing -----------------------------------------------------------------------------------------

    async def _edited(self, viewer: Viewer, act: Callable[[Place], Any]) -> dict[str, Any]:
        self._holds(viewer)
        place = self._placed(viewer)
        before = place.version
        try:
            entry = await asyncio.get_running_loop().run_in_executor(place.work, act, place)
        finally:
            if place.version != before:
                await self._refresh(place, viewer)
        if entry is None:
            return {"did": None}
        return {"did": entry.label, "gone": [name for name in entry.after if name not in place.editing.history.texts]}

    async def _refresh(self, place: Place, first: Viewer | None = None) -> None:
        """Tell everybody at a bench what it is like now, the one who changed it before the others."""
        state = place.bench_state()
        for viewer in sorted(self._at(place), key=lambda v: v is not first):
            viewer.tell({"push": "bench", "state": state})
            if viewer.routine is not None:
                await self._show(viewer)

    async def _show(self, viewer: Viewer) -> None:
        """The routine that a viewer looks at: its answers at once, then its motion, then what would change them."""
        place, name = self._placed(viewer), viewer.routine
        if name is None:
            return
        loop = asyncio.get_running_loop()
        try:
            viewer.tell({"push": "routine", **await loop.run_in_executor(place.work, place.routine_state, name)})
            viewer.tell({"push": "motion", **await loop.run_in_executor(place.work, place.motion_state, name)})
        except HandfastError as error:
            viewer.tell({"push": "refused", "name": name, "error": str(error)})
            return
        task = asyncio.create_task(self._try(place, name))
        self._tasks.add(task)
        task.add_done_callback(self._tasks.discard)

    async def _try(self, place: Place, name: str) -> None:
        asked = place.asked.get(name)
        if asked is None:
            return
        loop = asyncio.get_running_loop()
        await asyncio.sleep(0.2)
        while place.at_the_arms:  # nothing else is worked at meanwhile: the board's heartbeat must not wait
            await asyncio.sleep(0.5)
        if asked.version != place.version:
            return
        if asked.tried is None:
            await loop.run_in_executor(place.trying, place.changes, asked)
        if asked.version == place.version:
            from handfast.desk.showing import answers_shown

            assert asked.tried is not None
            message = {"push": "changes", "name": name, "version": asked.version, "answers": answers_shown(asked.tried)}
            for viewer in self._at(place):
                if viewer.routine == name:
                    viewer.tell(message)

    async def watch(self) -> None:
        """Look at the files now and then, for edits from outside."""
        loop = asyncio.get_running_loop()
        while True:
            await asyncio.sleep(LOOKS_EVERY)
            for place in list(self.places.values()):
                if not self._at(place):
                    continue
                try:
                    entry = await loop.run_in_executor(place.work, place.look)
                except HandfastError as error:
                    for viewer in self._at(place):
                        viewer.tell({"push": "said", "text": str(error)})
                    continue
                if entry is not None:
                    for viewer in self._at(place):
                        viewer.tell({"push": "outside", "text": entry.label, "trouble": place.trouble})
                    await self._refresh(place)

    def close(self) -> None:
        """End all work."""
        for place in self.places.values():
            place.close()
