"""Drawings as lines: sizes, units, turns and curves against the package svgpathtools; what is no drawing."""

from __future__ import annotations

import numpy as np
import pytest
import svgpathtools

from handfast.errors import InputError
from handfast.routine.drawings import FINE, find_drawing, read_drawing

SVG = '<svg xmlns="http://www.w3.org/2000/svg" {head}>{body}</svg>'


def written(tmp_path, body, head='viewBox="0 0 100 100" width="100mm" height="100mm"'):
    """An SVG file."""
    path = tmp_path / "d.svg"
    path.write_text(SVG.format(head=head, body=body))
    return path


def length(line):
    """Length of a line, m."""
    return float(np.linalg.norm(np.diff(np.array(line), axis=0), axis=1).sum())


def test_a_square_in_its_own_size(tmp_path):
    """A 60 mm square set anywhere begins at 0, 0, y up; closed; 240 mm long. With a width it is as wide as that."""
    path = written(tmp_path, '<rect x="20" y="30" width="60" height="60"/>')
    (line,) = read_drawing(path)
    points = np.array(line)
    assert points.min(axis=0) == pytest.approx([0, 0], abs=1e-9)
    assert points.max(axis=0) == pytest.approx([0.06, 0.06], abs=1e-6)
    assert length(line) == pytest.approx(0.24)
    assert points[0] == pytest.approx(points[-1])
    (wide,) = read_drawing(path, 0.1)
    assert length(wide) == pytest.approx(0.4)


def test_up_is_up(tmp_path):
    """What is lower on the page has the smaller y."""
    (line,) = read_drawing(written(tmp_path, '<path d="M 0 90 L 10 10"/>'))
    assert line[0] == pytest.approx((0.0, 0.0))
    assert line[1] == pytest.approx((0.01, 0.08))


@pytest.mark.parametrize(
    "d",
    [
        "M 10 80 C 40 10, 65 10, 95 80 S 150 150, 180 80",
        "M 10 80 Q 95 10 180 80 T 300 80",
        "M 80 80 A 45 45, 0, 0, 0, 125 125 L 125 80 Z",
        "m 10 10 h 50 v 50 l -20 -10 z m 100 0 h 20",
    ],
)
def test_curves_are_as_long_as_the_reference_has_them(tmp_path, d):
    """Béziers, arcs, relative moves: pieces and lengths as svgpathtools has them; no point off by more than stated."""
    path = written(tmp_path, f'<path d="{d}"/>', 'viewBox="0 0 400 400" width="400mm" height="400mm"')
    lines = read_drawing(path)
    reference = [p for p in svgpathtools.parse_path(d).continuous_subpaths() if p.length() > 0]
    assert len(lines) == len(reference)
    for line, curve in zip(lines, reference, strict=True):
        assert length(line) * 1e3 == pytest.approx(curve.length(), rel=2e-3)
    every = np.concatenate([[complex(*p) for p in line] for line in lines])
    low = min(s.point(t).real for p in reference for s in p for t in np.linspace(0, 1, 200))
    high = max(s.point(t).imag for p in reference for s in p for t in np.linspace(0, 1, 200))
    finely = np.array([s.point(t) for p in reference for s in p for t in np.linspace(0, 1, 3000)])
    finely = ((finely.real - low) - 1j * (finely.imag - high)) * 1e-3
    for at in every[:: max(1, len(every) // 40)]:
        assert np.abs(finely - at).min() < 2 * FINE


def test_units_transforms_and_hidden_things(tmp_path):
    """Inches, groups that are moved, turned and scaled; circles, polylines; what is hidden is not drawn."""
    head = 'viewBox="0 0 4 4" width="4in" height="4in"'
    (line,) = read_drawing(written(tmp_path, '<g transform="scale(2)"><circle cx="1" cy="1" r="0.5"/></g>', head))
    assert length(line) == pytest.approx(2 * np.pi * 0.0254, rel=2e-3)
    body = '<polyline points="0,0 10,0 10,10"/><path d="M0 0 L 50 50" visibility="hidden"/>'
    assert len(read_drawing(written(tmp_path, body))) == 1


@pytest.mark.parametrize(
    ("body", "says"),
    [
        ("<text>word</text>", "holds no path"),
        ("", "holds no path"),
        ('<path d="M 5 5 L 5 5"/>', "holds no path"),
        ('<rect width="9000" height="9000"/>', "width_mm"),
    ],
)
def test_what_a_pen_cannot_follow_is_refused(tmp_path, body, says):
    """No outline, a dot, a size without sense: one message with what to do."""
    with pytest.raises(InputError, match=says):
        read_drawing(written(tmp_path, body))


def test_files_that_are_none(tmp_path):
    """No such file names what is there; what is no SVG is said to be none."""
    (tmp_path / "drawings").mkdir()
    (tmp_path / "routines").mkdir()
    (tmp_path / "drawings" / "leaf.svg").write_text("no svg")
    with pytest.raises(InputError, match=r"nearest: leaf\.svg"):
        find_drawing("lead.svg", tmp_path / "routines" / "r.toml")
    found = find_drawing("leaf.svg", tmp_path / "routines" / "r.toml")
    with pytest.raises(InputError, match="is no SVG"):
        read_drawing(found)
    with pytest.raises(InputError, match="no width"):
        read_drawing(written(tmp_path, '<path d="M 5 5 V 50"/>'), 0.1)
