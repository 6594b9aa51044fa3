"""How `:name` becomes the PostgreSQL driver's form."""

import pytest
from ebbmark_collector.store.postgres import for_psycopg


@pytest.mark.parametrize(
    ("sql", "expected"),
    [
        ("SELECT :a, :b_2", "SELECT %(a)s, %(b_2)s"),
        ("SELECT ':a' || 'it''s :b', :c", "SELECT ':a' || 'it''s :b', %(c)s"),
        ('SELECT ":a" FROM t -- :b\nWHERE x = :c', 'SELECT ":a" FROM t -- :b\nWHERE x = %(c)s'),
        ("SELECT :a::bigint", "SELECT %(a)s::bigint"),
        ("SELECT 7 % :a, '%', '100 %'", "SELECT 7 %% %(a)s, '%%', '100 %%'"),
    ],
    ids=["names", "strings", "quoted names and comments", "casts", "percent signs"],
)
def test_only_parameters_are_turned(sql: str, expected: str) -> None:
    """Parameters are turned; strings, quoted names, comments and casts are left, percent signs doubled."""
    assert expected.encode() == for_psycopg(sql)
