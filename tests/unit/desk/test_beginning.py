"""A new bench that is looked at before it is laid down."""

from __future__ import annotations

import pytest

from handfast.desk.beginning import check
from handfast.errors import InputError


def test_what_would_be_refused_is_said_before(tmp_path):
    """By its key and without a folder that nobody chose; nothing is left behind."""
    values = {"arms": {"left": {"joint": {"1": {"mass_g": 60.5}}}}}
    check(tmp_path, "mine", 4, 5, False, values)
    values["arms"]["left"]["joint"]["1"]["mass_g"] = -4
    with pytest.raises(InputError, match=r"^mine/bench\.toml:\d+: arms\.left\.joint\.2\.mass_g: -4 is out of range"):
        check(tmp_path, "mine", 4, 5, False, values)
    for name in ("../x", "", ".hidden"):
        with pytest.raises(InputError, match="no name for a folder"):
            check(tmp_path, name, 4, 5, False, {})
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "full").mkdir()
    (tmp_path / "full" / "file").touch()
    with pytest.raises(InputError, match="there already and not empty"):
        check(tmp_path, "full", 4, 5, False, {})
