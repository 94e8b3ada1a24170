"""The page of all keys: fresh, and with what a reader needs of each."""

from __future__ import annotations

from pathlib import Path

from handfast.bench.keys import keys_page
from handfast.bench.new import TEMPLATES

ROOT = Path(__file__).resolve().parents[3]


def test_the_page_is_fresh():
    """`make keys` writes it anew."""
    assert (ROOT / "docs" / "bench.md").read_text(encoding="utf-8") == keys_page(), "make keys"


def test_every_key_of_the_seedling_bench_is_there():
    """With its limits in its own unit, and what counts where it is left out."""
    page = keys_page()
    for name in ("seedling/bench.toml", "stock.toml"):
        for line in (TEMPLATES / name).read_text(encoding="utf-8").splitlines():
            key, equals, _ = line.partition(" = ")
            if equals and not line.startswith("#"):
                assert f"| `{key}` |" in page, key
    row = "| play between feedback and link, full width | a number from 0 to 30 ° | 0.9 |"
    assert f"| `unseen_play_deg` {row}" in page
    assert "`[[arms.left.joint]]`" in page
    assert "`[arms.left.joint.spring]`" in page
    assert "`[servo.NAME.accept]`" in page
    assert "| `limit_C` | case temperature not to pass | a number from 30 to 200 °C | 65 |" in page


def test_a_new_bench_says_where_its_keys_are_explained():
    """A page that exists."""
    assert "docs/bench.md explains every key" in (TEMPLATES / "seedling" / "bench.toml").read_text(encoding="utf-8")
