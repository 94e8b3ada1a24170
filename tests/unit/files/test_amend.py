"""Single values of a TOML text are changed; all else stays to the letter."""

from __future__ import annotations

import tomllib

from handfast.files.amend import amend

LONG = """\
# head
pace = 0.5
[[step]]  # first
do = "go"
note = '''
[[step]]
'''
[step.left]
pose_deg = [1, 2]  # taught

[[step]]
do = "go"
rows = [
  [1, 2],
  [3, 4],
]
  [step.left]
  pose_deg = [3, 4]  # kept

# tail of the second
[[other]]
step = 1
"""


def test_one_entry_of_a_list_is_changed_alone():
    """A change in one entry leaves every other letter as it was; headings inside of texts mislead nobody."""
    for index, old in ((0, "[1, 2]"), (1, "[3, 4]")):
        changed = amend(LONG, [(("step", index, "left", "pose_deg"), [7.0, 8.0]), (("step", index, "dwell_s"), 0.5)])
        assert changed.count("# taught") == changed.count("# kept") == changed.count("# tail of the second") == 1
        values = tomllib.loads(changed)
        assert values["step"][index]["left"]["pose_deg"] == [7.0, 8.0]
        assert values["step"][index]["dwell_s"] == 0.5
        assert values["step"][1 - index] == tomllib.loads(LONG)["step"][1 - index]
        assert values["other"] == [{"step": 1}]
        assert old in LONG
