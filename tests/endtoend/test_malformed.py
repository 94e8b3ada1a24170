"""Malformed benches, stocks, measured values, routines, recordings and options.

Each is refused with exit status 2 and one message that says where (file, and line or row where there is one), which
key, what was expected or is available, and what to do next. Nothing on the disk changes. Most run in this process,
which differs from a command of its own only in that a traceback would fail the test; one of each kind runs as a
command.
"""

from __future__ import annotations

import re
import shutil
from dataclasses import dataclass
from pathlib import Path

import pytest

from handfast.bench.folder import BenchFolder
from handfast.bench.new import new_bench
from handfast.cli.main import main
from support import seedling
from support.commands import contents, handfast, said

CHECK = ("check", "pass-pot", "--no-changes")
TEACH = ("teach", "--recording", "recordings/r.csv", "--name", "new")


@dataclass(frozen=True)
class Case:
    """A file of the bench, a piece of its text and what replaces it (None: all of it), and what must be said."""

    file: str
    old: str | None
    new: str
    says: str  # a regular expression for the first line
    words: tuple[str, ...] = CHECK


def bench(old: str | None, new: str, says: str) -> Case:
    """A case of bench.toml."""
    return Case("bench.toml", old, new, says)


def stock(old: str | None, new: str, says: str) -> Case:
    """A case of stock.toml."""
    return Case("stock.toml", old, new, says)


def routine(old: str | None, new: str, says: str) -> Case:
    """A case of a routine."""
    return Case("routines/pass-pot.toml", old, new, says)


def recording(old: str | None, new: str, says: str) -> Case:
    """A case of a recording."""
    return Case("recordings/r.csv", old, new, says, TEACH)


def measured(text: str, says: str) -> Case:
    """A case of measured.toml."""
    return Case("measured.toml", None, text, says)


def value(of: str = "left yaw", key: str = "unseen_play_deg", number: str = "1.0", more: str = "") -> str:
    """One measured value."""
    return f'[[value]]\nof = "{of}"\nkey = "{key}"\nvalue = {number}\ndate = 2026-01-01\nsource = "test"\n{more}'


CASES = {
    # -- bench.toml --------------------------------------------------------------------------------------------------
    "bench: not TOML": bench('name = "seedling bench"', "name = seedling bench", r"bench\.toml:\d+.*name"),
    "bench: unclosed table": bench("[supply]", "[supply", r"bench\.toml:\d+"),
    "bench: key twice": bench("voltage_V = 6.0", "voltage_V = 6.0\nvoltage_V = 5", r"bench\.toml:\d+.*given twice"),
    "bench: table twice": bench("[supply]", "[supply]\nlimit_A = 3\n[supply]", r"bench\.toml:\d+.*given twice"),
    "bench: unknown key": bench("voltage_V", "voltage", r"bench\.toml:\d+: supply\.voltage: unknown key"),
    "bench: unknown table": bench("[controller]", "[controler]", r"bench\.toml:\d+: controler: unknown key"),
    "bench: missing key": bench("limit_A = 20\n", "", r"bench\.toml:\d+: supply: limit_A is missing"),
    "bench: missing table": bench("[table]", "[stop]", r"bench\.toml"),
    "bench: NaN": bench("voltage_V = 6.0", "voltage_V = nan", r"bench\.toml:\d+: supply\.voltage_V: nan"),
    "bench: infinite": bench("limit_A = 20", "limit_A = inf", r"bench\.toml:\d+: supply\.limit_A: inf"),
    "bench: out of range": bench("voltage_V = 6.0", "voltage_V = 600", r"bench\.toml:\d+: supply\.voltage_V: 600"),
    "bench: text for a number": bench("limit_A = 20", 'limit_A = "20"', r"bench\.toml:\d+: supply\.limit_A"),
    "bench: number for a text": bench('name = "yaw"', "name = 5", r"bench\.toml:\d+: arms\.left\.joint\.1\.name"),
    "bench: too few numbers": bench("offset_mm = [0, 0, 40]", "offset_mm = [0, 40]",
                                    r"bench\.toml:\d+: arms\.left\.joint\.1\.offset_mm: 2 numbers"),
    "bench: no direction": bench("axis = [0, 0, 1]", "axis = [0, 0, 0]",
                                 r"bench\.toml:\d+: arms\.left\.joint\.1\.axis: the axis has no length"),
    "bench: travel turned round": bench("travel_deg = [-90, 90]", "travel_deg = [90, -90]",
                                        r"bench\.toml:\d+: arms\.left\.joint\.1\.travel_deg: the travel is empty"),
    "bench: travel beyond the pulses": bench("travel_deg = [-60, 110]", "travel_deg = [-90, 110]",
                                             r"bench\.toml:\d+: arms\.left\.joint\.2\.travel_deg: the travel needs"),
    "bench: channel taken": bench("channel = 1\n", "channel = 0\n",
                                  r"bench\.toml:\d+: arms\.left\.joint\.2\.channel: channel 0 is already taken"),
    "bench: no such channel": bench("channel = 1\n", "channel = 12\n",
                                    r"bench\.toml:\d+: arms\.left\.joint\.2\.channel: channel 12 does not exist"),
    "bench: no such servo": bench('servo = "high-torque"', 'servo = "high-torqe"',
                                  r'bench\.toml:\d+: arms\.left\.joint\.2\.servo: no servo class "high-torqe"'),
    "bench: joint twice": bench('name = "shoulder"', 'name = "yaw"',
                                r'bench\.toml:\d+: arms\.left\.joint\.2\.name: a second joint "yaw"'),
    "bench: jaws along fingers": bench("jaws = [0, 1, 0]", "jaws = [0, 0, 1]",
                                       r"bench\.toml:\d+: arms\.left\.gripper\.jaws: jaws lies along fingers"),
    "bench: no such question": bench("[supply]", "[question.lifd]\nlimit = 1\nenough = 2\n\n[supply]",
                                     r'bench\.toml:\d+: question\.lifd: no question "lifd"'),
    "bench: enough below limit": bench("[supply]", "[question.lift]\nlimit = 2\nenough = 2\n\n[supply]",
                                       r"bench\.toml:\d+: question\.lift\.enough: 2 is not above the limit"),
    "bench: not text": bench(None, "\udcff\udcfe", r"bench\.toml: not a text file"),
    # -- stock.toml --------------------------------------------------------------------------------------------------
    "stock: empty": stock(None, "", r"stock\.toml: no servo class"),
    "stock: unknown key": stock("mass_g", "weight_g", r"stock\.toml:\d+: servo\.[\w-]+\.weight_g: unknown key"),
    "stock: pulses turned round": stock("mass_g", "pulse_low_us = 2000\npulse_high_us = 1000\nmass_g",
                                        r"stock\.toml:\d+: servo\.[\w-]+: pulse_high_us is not above"),
    "stock: no speed": stock(re.search(r"no_load_s_per_60deg = [\d.]+", (
        seedling.ROOT / "src/handfast/bench/templates/stock.toml").read_text()).group(), "no_load_s_per_60deg = 0",
        r"stock\.toml:\d+: servo\.[\w-]+\.no_load_s_per_60deg: 0"),
    # -- measured.toml -----------------------------------------------------------------------------------------------
    "measured: no such joint": measured(value(of="left yaww"), r'measured\.toml:\d+: value\.1\.of: .*no "left yaww"'),
    "measured: no such key": measured(value(key="play"), r'measured\.toml:\d+: value\.1\.key: "left yaw" has no play'),
    "measured: out of range": measured(value(number="99"), r"measured\.toml:\d+: value\.1\.value: 99 is out of range"),
    "measured: second entry": measured(value() + value(number='"x"'), r"measured\.toml:\d+: value\.2\.value"),
    "measured: missing date": measured(value().replace("date = 2026-01-01\n", ""),
                                       r"measured\.toml:\d+: value\.1: date is missing"),
    "measured: negative uncertainty": measured(value(more="uncertainty = -1\n"),
                                               r"measured\.toml:\d+: value\.1\.uncertainty: -1"),
    # -- routines ----------------------------------------------------------------------------------------------------
    "routine: not TOML": routine("[routine]", "[routine", r"routines/pass-pot\.toml:\d+"),
    "routine: no step": routine(None, '[routine]\nname = "x"\n', r"routines/pass-pot\.toml: no step"),
    "routine: unknown step": routine('do = "go"', 'do = "fly"', r"routines/pass-pot\.toml:\d+: step\.1\.do"),
    "routine: no such thing": routine('thing = "plug-pot"', 'thing = "pot"',
                                      r'routines/pass-pot\.toml:\d+: step\.\d\.thing: the bench has no thing "pot"'),
    "routine: too few angles": routine("pose_deg = [", "pose_deg = [1, 2]\nspread_deg = [",
                                       r"routines/pass-pot\.toml:\d+"),
    "routine: unknown hold": routine('held = "', 'held = "per', r"routines/pass-pot\.toml:\d+: step\.1\.right\.held"),
    "routine: no such step before": routine('do = "go"', 'do = "go"\nafter = "later"',
                                            r'routines/pass-pot\.toml:\d+: step\.1\.after: no earlier step "later"'),
    # -- recordings --------------------------------------------------------------------------------------------------
    "recording: empty": recording(None, "", r"recordings/r\.csv: too few samples"),
    "recording: another bench": recording(",ch11,event", ",event",
                                          r"recordings/r\.csv:\d+: 11 feedback columns, but the bench has 12"),
    "recording: a word for a number": recording("\n200,", "\nlater,", r"recordings/r\.csv:\d+: t_ms: 'later'"),
    "recording: time stands": recording("\n200,", "\n180,", r"recordings/r\.csv:\d+: t_ms: time 180 ms does not rise"),
    "recording: a cell too many": recording("\n200,", "\n200,1,", r"recordings/r\.csv:\d+: 15 columns"),
    "recording: volts": recording("\n200,", "\n200,-", r"recordings/r\.csv:\d+: ch0: -[\d.]+ counts"),
    "recording: no event": recording("right grip plug-pot", "right hold plug-pot",
                                     r'recordings/r\.csv:\d+: event: "right hold plug-pot" is no event'),
    "recording: no such thing": recording("right grip plug-pot", "right grip pot",
                                          r'recordings/r\.csv: event at \d+ ms: the bench has no thing "pot"'),
    "recording: passes nothing": recording("pass right plug-pot", "pass left",
                                           r"recordings/r\.csv: the left arm passes nothing"),
    "recording: stroke without end": recording("right grip plug-pot", "right stroke begin",
                                               r"recordings/r\.csv: event at \d+ ms: the right stroke never ends"),
    "recording: a gap": recording("\n200,", "\n2000000,", r"recordings/r\.csv"),
}  # fmt: skip

OPTIONS = {
    "no command": ((), r"handfast: .*COMMAND"),
    "unknown command": (("fly",), r"handfast: .*'fly'"),
    "unknown option": (("check", "--fast"), r"handfast: .*--fast"),
    "no such routine": (("check", "pass-pott"), r'routines: no routine "pass-pott"'),
    "no such file": (("check", "x.toml"), r"x\.toml: no such file"),
    "no such bench": (("check", "--bench", "nowhere"), r"nowhere: no bench\.toml in this folder"),
    "a folder that is not empty": (("new", "."), r"\.: is there already and not empty"),
    "too many joints": (("new", "b", "--left", "8"), r"--left or --right: 8 joints"),
    "no joints": (("new", "b", "--right", "0"), r"--left or --right: 0 joints"),
    "half a joint": (("new", "b", "--left", "4.5"), r"handfast: .*--left.*'4\.5'"),
    "no recording": (("teach",), r"nothing to learn from"),
    "no such recording": (("teach", "--recording", "x.csv"), r"x\.csv: no such file"),
    "a folder for a recording": (("teach", "--recording", "recordings", "--name", "x"), r"recordings: is a folder"),
    "a name with a slash": (("teach", "--recording", "recordings/r.csv", "--name", "../x"), r'--name: "\.\./x"'),
    "a negative seed": (("run", "pass-pot", "--seed", "-1"), r"--seed: -1 is no seed"),
    "no such way": (("run", "pass-pot", "--way", "fast"), r"handfast: .*--way.*'fast'"),
    "not once": (("run", "pass-pot", "--repeat", "0"), r"--repeat: 0 times"),
    "less than not once": (("run", "pass-pot", "--repeat", "-1"), r"--repeat: -1 times"),
    "overrules nothing": (("run", "pass-pot", "--overrule", "foo"), r'--overrule: no question "foo"'),
    # The one message is all that is said: nothing about a relay that goes on, and nothing has power.
    "no such port": (("board", "probe", "--port", "/dev/none"), r"/dev/none: cannot be opened"),
    "no such port for teaching": (("teach", "--port", "/dev/none", "--name", "x"), r"/dev/none: cannot be opened"),
    "no such port for readings": (("calibrate", "--read", "--port", "/dev/none"), r"/dev/none: cannot be opened"),
    "no such port for sweeps": (("calibrate", "--sweep", "--port", "/dev/none"), r"/dev/none: cannot be opened"),
    "no such port for a servo": (
        ("vet", "--channel", "1", "--mark", "A", "--class", "mini-metal", "--port", "/dev/none"),
        r"/dev/none: cannot be opened",
    ),
    "no such servo": (("board", "power-up", "left elbo", "--board", "python"), r'no servo "left elbo"'),
    "no such servo to wiggle": (
        ("board", "probe", "--wiggle", "left elbo", "--board", "python"),
        r'--wiggle: no servo "left elbo"',
    ),
    "nothing such to hold": (
        ("teach", "--board", "python", "--name", "x", "--hold", "elbo"),
        r'--hold: no servo and no arm "elbo"',
    ),
}


@pytest.fixture(scope="module")
def original(tmp_path_factory) -> Path:
    """A seedling bench with a recording of `pass-pot` by seed 4."""
    place = tmp_path_factory.mktemp("malformed")
    folder = new_bench(place / "bench")
    seedling.example("seedling_hands").record(BenchFolder(folder.root), "pass-pot", 4)
    (folder.recordings / "pass-pot.csv").rename(folder.recordings / "r.csv")
    return folder.root


def broken(original: Path, place: Path, case: Case) -> Path:
    """A copy of the bench with one file spoilt."""
    root = place / "bench"
    shutil.copytree(original, root)
    path = root / case.file
    if case.old is None:
        path.write_bytes(case.new.encode("utf-8", "surrogateescape"))
    else:
        text = path.read_text(encoding="utf-8")
        assert case.old in text, f"{case.file} has no {case.old!r}"
        path.write_text(text.replace(case.old, case.new, 1), encoding="utf-8")
    return root


def is_one_message(text: str, says: str) -> None:
    """What, where, what was expected or is there, and what to do next; no traceback, nothing said twice."""
    first = text.splitlines()[0]
    assert first.startswith("handfast: ")
    assert re.search(says, first), first
    assert "Traceback" not in text
    assert text.count("handfast: ") == 1
    assert "\n  expected: " in text or "\n  available: " in text or says.startswith("handfast")
    assert "\n  next: " in text or "\n  available: " in text


@pytest.mark.parametrize("name", CASES)
def test_a_malformed_file_is_refused(original, tmp_path, monkeypatch, capsys, name):
    """Status 2, one message, and no file changed."""
    case = CASES[name]
    root = broken(original, tmp_path, case)
    before = contents(root)
    monkeypatch.chdir(root)
    assert main(list(case.words)) == 2
    out, err = capsys.readouterr()
    assert out == ""
    is_one_message(err, case.says)
    assert contents(root) == before


def test_there_are_enough_of_them():
    """At least 30 of files."""
    assert len(CASES) >= 30


@pytest.mark.parametrize("name", OPTIONS)
def test_bad_options_are_refused(original, tmp_path, monkeypatch, capsys, name):
    """Status 2, one message, and no file changed."""
    words, says = OPTIONS[name]
    shutil.copytree(original, tmp_path / "bench")
    root = tmp_path / "bench"
    before = contents(tmp_path)
    monkeypatch.chdir(root)
    try:
        status = main(list(words))
    except SystemExit as end:
        status = end.code
    assert status == 2
    out, err = capsys.readouterr()
    assert out == ""
    is_one_message(err, says)
    assert contents(tmp_path) == before


COMMANDS = [
    "bench: unknown key",
    "stock: empty",
    "measured: no such joint",
    "routine: unknown step",
    "recording: no event",
]


@pytest.mark.parametrize("name", COMMANDS)
def test_as_a_command(original, tmp_path, name):
    """The same as a process of its own, Python's warnings being errors."""
    case = CASES[name]
    root = broken(original, tmp_path, case)
    before = contents(root)
    done = handfast(*case.words, cwd=root)
    assert (done.returncode, done.stdout) == (2, "")
    is_one_message(said(done), case.says)
    assert contents(root) == before
