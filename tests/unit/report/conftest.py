"""Benches and views that the tests of the report share."""

import numpy as np
import pytest

from handfast.bench.folder import BenchFolder, find_bench, read_bench
from handfast.bench.new import new_bench
from handfast.report.gather import PairView, gather
from handfast.report.page import page
from handfast.routine.file import find_routines, read_routine


@pytest.fixture(scope="session")
def seedling_folder(tmp_path_factory) -> BenchFolder:
    """The seedling bench as it is laid down."""
    root = tmp_path_factory.mktemp("report") / "bench"
    new_bench(root)
    return find_bench(root, root)


@pytest.fixture(scope="session")
def seedling(seedling_folder) -> PairView:
    """Everything about the seedling bench and its three routines."""
    return view_of(seedling_folder)


@pytest.fixture(scope="session")
def seedling_page(seedling) -> str:
    """Its page."""
    return page(seedling)


def view_of(folder: BenchFolder, names: list[str] | None = None) -> PairView:
    """Everything about a bench folder."""
    bench = read_bench(folder)
    paths = find_routines(folder, names or []) if names or folder.routine_files() else []
    return gather(bench, [read_routine(path, bench) for path in paths])


def write_routine(
    folder: BenchFolder, name: str, thing: str | None = None, beyond: float = 0.0, steps: int = 3
) -> None:
    """A plain routine for arms of any size: a few moves about the middle of the travel, a carry, a path.

    beyond: degrees by which a last pose leaves the left arm's travel.
    """
    bench = read_bench(folder)

    def angles(values) -> str:
        return "[" + ", ".join(f"{x:.4f}" for x in values) + "]"

    travel = np.degrees([joint.travel for joint in bench.joints])
    middle = travel.mean(axis=1)
    rng = np.random.default_rng(len(name))
    lines = ["[routine]", f'name = "{name}"', "pace = 0.5"]

    def pose(side: str, q) -> list[str]:
        columns = bench.columns(side)
        signs = " ".join("+-0"[k % 3] for k in range(columns.stop - columns.start))
        return [f"[step.{side}]", f"pose_deg = {angles(q[columns])}", 'held = "let go"', f'arrived = "{signs}"']

    for k in range(steps):
        q = middle + rng.uniform(-8, 8, len(middle))
        lines += ["[[step]]", 'do = "go"', f'name = "step {k}"', *pose("left", q)]
        lines += pose("right", q) if k % 2 else []
    if thing:
        lines += ["[[step]]", 'do = "grip"', 'arm = "left"', f'thing = "{thing}"']
    q = middle + 1.0
    lines += ["[[step]]", 'do = "carry"', *pose("left", q), *pose("right", q)]
    path = [angles(middle[bench.columns("right")] + 0.2 * k) for k in range(8)]
    lines += ["[[step]]", 'do = "stroke"', "[step.right]", f"path_deg = [{', '.join(path)}]"]
    lines += [f"path_s = {[0.2 * k for k in range(8)]}"]
    if beyond:
        q = np.where(np.arange(len(travel)) == 1, travel[:, 1] + beyond, middle)
        lines += ["[[step]]", 'do = "go"', 'name = "beyond"', *pose("left", q)]
    folder.routines.joinpath(f"{name}.toml").write_text("\n".join(lines) + "\n", encoding="utf-8")


@pytest.fixture
def make_view():
    """`view_of`, for tests that lay down benches of their own."""
    return view_of


@pytest.fixture
def make_routine():
    """`write_routine`, likewise."""
    return write_routine
