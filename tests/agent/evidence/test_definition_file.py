"""The reading of role and format files: every fault, with its line, in one go."""

import pytest
from ebbmark_agent.evidence.definition_file import DefinitionError, Table, read_definition

TEXT = """\
# a comment
version = 1

[sizes]
small = [1, 2]
"odd name" = [3]

[[thing]]
name = "first"
count = 0

[[thing]]
name = "second"
colour = "rde"
note = \"\"\"
count = 7
\"\"\"
inner.depth = "deep"
"""


def test_lines_of_keys_and_tables() -> None:
    """Each key is known by the line it stands on, inside the table it stands in."""
    definition = read_definition(TEXT, what="things.toml")

    assert definition.line_of(("version",)) == 2
    assert definition.line_of(("sizes", "odd name")) == 6
    assert definition.line_of(("thing", 0, "count")) == 10
    assert definition.line_of(("thing", 1, "colour")) == 14
    assert definition.line_of(("thing", 1, "inner", "depth")) == 18


def test_key_like_text_inside_a_long_string_is_no_key() -> None:
    """A line of a multi-line string is not taken for a key."""
    definition = read_definition(TEXT, what="things.toml")

    assert definition.line_of(("thing", 1, "count")) == 12


def test_all_faults_are_told_at_once_in_order() -> None:
    """One error carries every mistake, ordered by line, with what is legal."""
    definition = read_definition(TEXT, what="things.toml")
    first, second = Table(definition, (), definition.values).tables("thing")
    second.choice("colour", ["red", "green"])
    first.whole("count")
    first.text("name")
    first.text("owner")

    with pytest.raises(DefinitionError) as raised:
        definition.raise_faults()

    assert [(fault.line, fault.key) for fault in raised.value.faults] == [
        (8, "thing 1, owner"),
        (10, "thing 1, count"),
        (14, "thing 2, colour"),
    ]
    assert "red, green (did you mean red?)" in str(raised.value)
    assert str(raised.value).startswith("things.toml has 3 mistakes")


def test_unknown_keys_are_refused() -> None:
    """A misspelt key is named with the one that was probably meant."""
    definition = read_definition("hedroom = 1\n", what="roles.toml")
    table = Table(definition, (), definition.values)
    table.optional_number("headroom")
    table.refuse_unknown_keys()

    with pytest.raises(DefinitionError, match=r"line 1, hedroom: .*did you mean headroom"):
        definition.raise_faults()


def test_no_toml_names_the_line() -> None:
    """A text that is no TOML is refused with the parser's line."""
    with pytest.raises(DefinitionError, match="line 2") as raised:
        read_definition("a = 1\nb = = 2\n", what="roles.toml")

    assert raised.value.faults[0].line == 2


@pytest.mark.parametrize(
    ("text", "legal"),
    [
        ("x = true", "a number above 0"),
        ('x = "5"', "a number above 0"),
        ("x = nan", "a number above 0"),
        ("x = inf", "a number above 0"),
        ("x = 0", "a number above 0"),
        ("x = 11", "at most 10"),
        ("", "is missing"),
    ],
)
def test_numbers_that_are_none(text: str, legal: str) -> None:
    """A truth value, a text, no number, or one out of bounds is not taken for a number."""
    definition = read_definition(text, what="x.toml")
    Table(definition, (), definition.values).number("x", above=0, most=10)

    with pytest.raises(DefinitionError, match=legal):
        definition.raise_faults()


def test_the_same_fault_is_told_once() -> None:
    """A key read twice is faulted once."""
    definition = read_definition("", what="x.toml")
    table = Table(definition, (), definition.values)
    table.text("name")
    table.text("name")

    assert len(definition.faults) == 1
