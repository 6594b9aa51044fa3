"""Reads the record of a probe's figures back from plain JSON values; the writing is a plain conversion."""

from collections.abc import Mapping
from dataclasses import fields, is_dataclass
from enum import Enum
from functools import cache
from types import NoneType, UnionType
from typing import Any, Union, get_args, get_origin, get_type_hints

from ebbmark_agent.evidence.figures import FIGURES_VERSION, Figures


def read_figures(document: Mapping[str, Any]) -> Figures:
    """Read the record of a probe's figures.

    Args:
        document: Plain JSON values; fields of a newer writer are passed over.

    Returns:
        The figures.

    Raises:
        ValueError: The record is of a later version, or a part is missing or of another kind.
    """
    version = document.get("version")
    if not isinstance(version, int) or version > FIGURES_VERSION:
        raise ValueError(
            f"these figures are of version {version}; this program reads up to {FIGURES_VERSION}"
        )
    figures = _read(Figures, document, "figures")
    assert isinstance(figures, Figures)
    return figures


def _read(kind: Any, value: Any, where: str) -> Any:
    if is_dataclass(kind):
        return _read_record(kind, value, where)
    if get_origin(kind) in (Union, UnionType):
        if value is None:
            return None
        (kind,) = (part for part in get_args(kind) if part is not NoneType)
        return _read(kind, value, where)
    if get_origin(kind) is tuple:
        return _read_tuple(get_args(kind), value, where)
    if isinstance(kind, type) and issubclass(kind, Enum):
        return kind(value)
    accepted = (int, float) if kind is float else kind
    if not isinstance(value, accepted) or (isinstance(value, bool) and kind is not bool):
        raise ValueError(f"{where} must be of kind {kind.__name__}, got {value!r}")
    return value


def _read_record(kind: Any, value: Any, where: str) -> Any:
    if not isinstance(value, Mapping):
        raise ValueError(f"{where} must be an object, got {value!r}")
    hints = _hints_of(kind)
    missing = [field.name for field in fields(kind) if field.name not in value]
    if missing:
        raise ValueError(f"{where} lacks {', '.join(missing)}")
    return kind(
        **{
            field.name: _read(hints[field.name], value[field.name], f"{where}.{field.name}")
            for field in fields(kind)
        }
    )


@cache
def _hints_of(kind: Any) -> dict[str, Any]:
    return get_type_hints(kind)


def _read_tuple(parts: tuple[Any, ...], value: Any, where: str) -> tuple[Any, ...]:
    if not isinstance(value, list | tuple):
        raise ValueError(f"{where} must be a list, got {value!r}")
    if parts[-1] is not Ellipsis and len(parts) != len(value):
        raise ValueError(f"{where} must have {len(parts)} parts, got {len(value)}")
    kinds = [parts[0]] * len(value) if parts[-1] is Ellipsis else parts
    return tuple(
        _read(part, item, f"{where}[{index}]")
        for index, (part, item) in enumerate(zip(kinds, value, strict=True))
    )
