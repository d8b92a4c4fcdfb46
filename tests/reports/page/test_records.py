"""Cells that know their column: what a phone sets as records, and what is left as it is."""

from __future__ import annotations

from herdbook.pipeline.reports.page.records import with_names

HEAD = "<thead><tr><th>Log</th><th>Size [&lt;MB&gt;]</th><th>SHA-256 <small>of it</small></th></tr></thead>"
HASH = "7ba7f16055d2164440d6c1077b99389d"


def table(attributes: str, *rows: str, head: str = HEAD) -> str:
    return f"<table{attributes}>{head}<tbody>{''.join(f'<tr>{row}</tr>' for row in rows)}</tbody></table>"


def test_every_cell_but_the_first_is_named_by_its_column() -> None:
    page = with_names(table(' class="lines"', f'<th scope="row">1</th><td class="num">3</td><td>{HASH}</td>'))
    assert page.startswith('<table class="rows lines">')
    assert '<th scope="row">1</th>' in page
    assert '<td data-name="Size [&lt;MB&gt;]" class="num">3</td>' in page
    assert f'<td data-name="SHA-256 of it" data-long>{HASH}</td>' in page


def test_tables_of_two_columns_and_those_of_their_own_form_stay() -> None:
    two = table("", "<td>a</td><td>b</td>", head="<thead><tr><th>A</th><th>B</th></tr></thead>")
    three = "<td>a</td><td>b</td><td>c</td>"
    own = [table(f' class="{name}"', three) for name in ("causes", "lines told", "lines checks")]
    for page in (two, table(' id="book"', three), *own, "<p>no table</p>"):
        assert with_names(page) == page


def test_a_cell_across_columns_and_texts_from_outside_change_nothing_else() -> None:
    page = with_names(table("", '<td colspan="3">nothing</td>', "<td>&lt;td&gt;</td><td>x</td><td></td>"))
    assert '<td colspan="3">nothing</td>' in page
    assert '<td>&lt;td&gt;</td><td data-name="Size [&lt;MB&gt;]">x</td>' in page
    assert with_names(page) == page
