"""The seedling bench as it is laid down, read and modelled once for all tests of a process."""

from __future__ import annotations

import dataclasses
import importlib.util
import sys
import tempfile
from functools import cache
from pathlib import Path
from types import ModuleType

import numpy as np

from handfast.bench.folder import read_bench
from handfast.bench.new import new_bench
from handfast.bench.parts import Bench, Side
from handfast.mechanics.model import Model, model_of
from handfast.routine.file import read_routine
from handfast.routine.steps import About, Routine, Step, Taught

ROOT = Path(__file__).resolve().parents[2]
REST = np.radians(np.tile((0.0, -15.0, 75.0, 60.0, 0.0), 2))
"""Both arms folded near their balance, (10,) rad."""


@cache
def laid_down() -> tuple[Bench, dict[str, Routine]]:
    """The seedling bench and its routines."""
    with tempfile.TemporaryDirectory() as place:
        folder = new_bench(Path(place) / "bench")
        bench = read_bench(folder)
        return bench, {path.stem: read_routine(path, bench) for path in folder.routine_files()}


def bench() -> Bench:
    """The seedling bench."""
    return laid_down()[0]


def routine(name: str) -> Routine:
    """A routine of the seedling bench."""
    return laid_down()[1][name]


@cache
def model() -> Model:
    """The seedling bench for computing."""
    return model_of(bench())


@cache
def example(name: str, folder: str = "examples") -> ModuleType:
    """A script of `examples/` or of another folder, as a module."""
    spec = importlib.util.spec_from_file_location(name, ROOT / folder / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module  # its dataclasses look themselves up there
    spec.loader.exec_module(module)
    return module


def go(side: Side, *angles_deg: float, **more: object) -> Step:
    """A step `go` of one arm."""
    taught = Taught(pose=tuple(np.radians(angles_deg)), held="held", arrived="+ + + + +")
    return dataclasses.replace(Step(do="go").with_taught(side, taught), **more)  # type: ignore[arg-type]


def routine_of(*steps: Step, **about: object) -> Routine:
    """A routine of these steps, each named by its number."""
    named = tuple(s if s.name else dataclasses.replace(s, name=f"{s.do} {i}") for i, s in enumerate(steps, 1))
    return Routine(about=About(name="test", **about), steps=named)  # type: ignore[arg-type]
