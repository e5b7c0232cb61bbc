"""Tables where standard output is no terminal: a log or a program reads them."""

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from roomplan.cli.environment import show
from roomplan.show.tables import plain_table

words = st.lists(st.integers(1, 24).map("x".__mul__), min_size=1, max_size=6)


@given(st.lists(words, min_size=2, max_size=9))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_word_of_a_table_is_cut_and_its_lines_are_no_wider_than_they_need_be(capsys, cells):
    table = plain_table("")
    for _cell in cells:
        table.add_column("")
    table.add_row(*(" ".join(cell) for cell in cells))
    show(table)
    lines = capsys.readouterr().out.splitlines()
    found = sorted(word for line in lines for word in line.split() if set(word) == {"x"})
    assert found == sorted(word for cell in cells for word in cell)
    longest_words = sum(max(map(len, cell)) for cell in cells) + 3 * len(cells)
    assert max(map(len, lines)) <= max(120, longest_words)
