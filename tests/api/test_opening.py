"""Plans opened: every problem in the order in which the plan was read."""

from __future__ import annotations

import pytest

import roomplan

BASE = """\
title: Ice Harbour
stems: stems
rooms:
  nave: {responses: nave.wav}
sections:
  choir: {stems: [no_such_choir], sends: {nave: -8}}
"""


@pytest.mark.parametrize("base", ["a_base.yaml", "z_base.yaml"])
def test_problems_of_the_plans_own_file_come_before_those_of_what_it_extends(folder, base):
    (folder / base).write_text(BASE, encoding="utf-8")
    (folder / "mine.yaml").write_text(
        f"extends: {base}\nsections:\n  low: {{stems: [no_such_low], sends: {{nave: -8}}}}\n",
        encoding="utf-8",
    )
    found = [problem.place.file.name for problem in roomplan.problems("mine.yaml") if problem.place]
    assert found == ["mine.yaml", base]
