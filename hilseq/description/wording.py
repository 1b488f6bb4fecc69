"""Say in plain words what pydantic found: what is wrong, what was expected, the nearest right word."""

from __future__ import annotations

import re
from typing import Any, NamedTuple

from pydantic_core import ErrorDetails

from hilseq.description.fields import WordError, keys_of
from hilseq.description.findings import Mark, Place, SourcePosition, nearest_word
from hilseq.description.registers import RegisterTable, documentation_number_hint
from hilseq.description.shape import KEY_STEP, Shape
from hilseq.description.yaml_text import looks_sexagesimal, number_hint
from hilseq.quantities import QuantityError

_SHOWN = 40
_PERCENT = 100


class Wording(NamedTuple):
    """One problem in words, and the place of the file it belongs to."""

    mark: Mark
    wrong: str
    expected: str = ""
    nearest: str = ""


def in_words(error: ErrorDetails, document: SourcePosition, shape: Shape) -> Wording:
    """Return a problem of `document`, of a `shape`, as a person would say it."""
    steps: Place = tuple(error["loc"])
    on_key = bool(steps) and steps[-1] == KEY_STEP
    place = steps[:-1] if on_key else steps
    kind = error["type"]
    if kind == "missing":
        return _missing(place, document, shape)
    if kind == "extra_forbidden":
        return _unknown_key(place, document, shape)
    value = document.at(place)
    mark = value.start if on_key else value.pointer
    if kind == "value_error":
        return _refused(error, place, document, shape)
    if on_key:
        value = SourcePosition(place[-1], mark, text=str(place[-1]))
    wrong, expected = _plain_words(kind, error.get("ctx", {}), error["msg"], _shown(value), value)
    if kind in ("dict_type", "model_type", "model_attributes_type"):
        expected += _what_belongs(place, shape)
    nearest = ""
    if kind in ("literal_error", "enum"):
        words = [first or second for first, second in re.findall(r"'([^']*)'|(\d+)", expected)]
        nearest = nearest_word(value.content, words)
    return Wording(mark, wrong, expected, nearest)


def _shown(value: SourcePosition) -> str:
    if isinstance(value.content, dict):
        return "a mapping of keys"
    if isinstance(value.content, list):
        return "a list"
    text = value.text or str(value.content)
    return repr(text if len(text) <= _SHOWN else text[: _SHOWN - 3] + "...")


def _key_name(place: Place) -> str:
    return f"`{str(place[-1])[:_SHOWN]}`" if place else "the file"


def _what_belongs(place: Place, shape: Shape) -> str:
    """Return what a mapping at a place holds: its keys, or what its field is for."""
    model = shape.model_at(place)
    if model is not None:
        return f": {', '.join(keys_of(model))}"
    field = shape.field_at(place)
    return f": {field.description}" if field is not None and field.description else ""


def _missing(place: Place, document: SourcePosition, shape: Shape) -> Wording:
    parent = document.at(place[:-1])
    field = shape.field_at(place)
    where = f" in `{place[-2]}`" if len(place) > 1 else ""
    what = f"{_key_name(place)}: {field.description}" if field is not None and field.description else ""
    return Wording(parent.start, f"the key {_key_name(place)} is missing{where}", what)


def _unknown_key(place: Place, document: SourcePosition, shape: Shape) -> Wording:
    parent = document.at(place[:-1])
    model = shape.model_at(place[:-1])
    keys = keys_of(model) if model is not None else {}
    written = parent.content if isinstance(parent.content, dict) else {}
    free = [key for key in keys if key not in written]
    where = f" in `{place[-2]}`" if len(place) > 1 else ""
    expected = f"one of {', '.join(free)}" if free else "no further key here"
    nearest = nearest_word(place[-1], free)
    return Wording(
        document.at(place).start, f"the key {_key_name(place)} is not known{where}", expected, nearest
    )


def _refused(error: ErrorDetails, place: Place, document: SourcePosition, shape: Shape) -> Wording:
    """Word an error that one of our own validators raised."""
    cause: Any = error.get("ctx", {}).get("error")
    value = document.at(place)
    on_key = error["loc"][-1:] == (KEY_STEP,)
    mark = value.start if on_key else value.pointer
    if on_key:  # the value behind the key is not what is wrong
        value = SourcePosition(place[-1], mark, text=str(place[-1]))
    if isinstance(cause, QuantityError):
        return Wording(mark, _not_a_quantity(value), cause.expected, cause.nearest)
    if isinstance(cause, WordError):
        expected = f"one of {', '.join(cause.words)}"
        return Wording(
            mark, f"{_shown(value)} is not known here", expected, nearest_word(value.content, cause.words)
        )
    wrong, _, expected = str(cause).partition("; expected ")
    if isinstance(value.content, dict):  # a fault between keys: at the first that the message names
        named = [key for key in re.findall(r"`([\w-]+)`", wrong) if key in value.content]
        mark = value.content[named[0]].pointer if named else mark
    if place and place[-1] == "address" and isinstance(value.content, int):
        wrong = _documentation_slip(place, document, value.content) or wrong
    elif value.content is None:
        wrong = f"nothing is written for {_key_name(place)}"
    elif isinstance(value.content, bool):
        wrong = f"{_shown(value)} is a truth value in YAML; in quotes it would be a text"
    elif isinstance(value.content, dict | list) and shape.model_at(place) is None:
        wrong = f"{_shown(value)} stands here"
    return Wording(mark, wrong, expected)


def _documentation_slip(place: Place, document: SourcePosition, address: int) -> str:
    table = document.at((*place[:-1], "table")).content
    try:
        return documentation_number_hint(RegisterTable(str(table)), address)
    except ValueError:
        return ""


def _not_a_quantity(value: SourcePosition) -> str:
    shown = _shown(value)
    if isinstance(value.content, bool):
        return f"{shown} is a truth value in YAML, not a quantity"
    if isinstance(value.content, int | float):
        return f"{shown} has no unit"
    if value.content is None:
        return "nothing is written here"
    if isinstance(value.content, dict | list):
        return f"{shown} stands where a quantity belongs"
    if looks_sexagesimal(value.text):
        return (
            f"{shown} is no time here; write hours, minutes and seconds with their units, as in 12 h 30 min"
        )
    return f"{shown} is not understood"


def _plain_words(
    kind: str, ctx: dict[str, Any], message: str, shown: str, value: SourcePosition
) -> tuple[str, str]:
    """Return what is wrong and what was expected, for the kinds of error pydantic makes itself."""
    if value.content is None and (kind.endswith("_type") or kind == "literal_error"):
        return "nothing is written here", _WANTED.get(kind, "a value")
    if kind == "string_type":
        return _not_text(shown, value)
    if kind in _NUMBERS:
        return _not_number(shown, value, _WANTED[kind])
    if kind in _WANTED:
        return f"{shown} stands here", _listed_once(value) if kind == "list_type" else _WANTED[kind]
    if kind == "literal_error":
        return _not_a_word(shown, value, ctx)
    return _out_of_bounds(kind, ctx, message, shown, value.content)


def _listed_once(value: SourcePosition) -> str:
    """Return how a value that stands alone is written as a list."""
    is_item = value.quoted or isinstance(value.content, int | float) or "," in value.text
    if isinstance(value.content, dict) or not is_item:
        return _WANTED["list_type"]
    item = f'"{value.text}"' if value.quoted or isinstance(value.content, float) else value.text
    return f"a list, such as [{item[:_SHOWN]}]"


def _not_a_word(shown: str, value: SourcePosition, ctx: dict[str, Any]) -> tuple[str, str]:
    words = str(ctx["expected"])
    if isinstance(value.content, bool) and f"'{value.text}'" in words:
        return f"{shown} is a truth value in YAML, not a word", f"the word in quotes: '{value.text}'"
    return f"{shown} is not known here", f"one of {words.replace(' or ', ', ')}"


def _out_of_bounds(
    kind: str, ctx: dict[str, Any], message: str, shown: str, content: object
) -> tuple[str, str]:
    if kind in _LIMITS:
        limit = next(ctx[name] for name in ("gt", "ge", "lt", "le") if name in ctx)
        expected = f"{_LIMITS[kind]} {limit:g}"
        if (
            kind.startswith("less")
            and limit == 1
            and isinstance(content, int | float)
            and 1 < content <= _PERCENT
        ):
            expected += f"; write {content / _PERCENT:g} for {content:g} %"
        return f"{shown} is out of range", expected
    if kind == "finite_number":
        return f"{shown} is no finite number", "a number"
    if kind in ("too_short", "string_too_short"):
        least = ctx.get("min_length", 1)
        return ("nothing is written here" if least == 1 else f"{shown} is too short"), f"at least {least}"
    if kind in ("too_long", "string_too_long"):
        return f"{shown} is too long", f"at most {ctx.get('max_length')}"
    return f"{shown}: {message[:1].lower()}{message[1:]}", ""


_NUMBERS = ("int_type", "float_type", "int_from_float", "int_parsing", "float_parsing")
_WANTED = {
    "string_type": "a text",
    "bool_type": "true or false",
    "bool_parsing": "true or false",
    "int_type": "a whole number",
    "int_from_float": "a whole number",
    "int_parsing": "a whole number",
    "float_type": "a number",
    "float_parsing": "a number",
    "dict_type": "a mapping of keys to values",
    "list_type": "a list, such as [1, 2]",
    "model_type": "a mapping of keys to values",
    "model_attributes_type": "a mapping of keys to values",
}
_LIMITS = {
    "greater_than": "more than",
    "greater_than_equal": "at least",
    "less_than": "less than",
    "less_than_equal": "at most",
}


def _not_text(shown: str, value: SourcePosition) -> tuple[str, str]:
    if isinstance(value.content, bool):
        return f"{shown} is a truth value in YAML, not a text", f"a text; quote it: '{value.text}'"
    if isinstance(value.content, dict | list):
        return f"{shown} stands here", "a text"
    kind = "a number" if isinstance(value.content, int | float) else "a date"
    return f"{shown} is {kind} in YAML, not a text", f"a text; quote it: '{value.text[:_SHOWN]}'"


def _not_number(shown: str, value: SourcePosition, wanted: str) -> tuple[str, str]:
    if isinstance(value.content, bool):
        return f"{shown} is a truth value in YAML, not a number", wanted
    if isinstance(value.content, dict | list):
        return f"{shown} stands here", wanted
    hint = number_hint(value.text)
    if hint and not value.quoted:
        whole = hint.removesuffix(".0") if wanted == "a whole number" else hint
        return f"{shown} is text in YAML, not a number", f"{wanted}; write {whole}"
    if value.quoted and _is_number(value.text):
        return f"{shown} is a text because of its quotes", f"{wanted}; write it without quotes"
    kind = "number" if wanted == "a number" else "whole number"
    return f"{shown} is no {kind}", wanted + _as_number(value.text)


def _as_number(text: str) -> str:
    """Return how a number is written here that a person wrote as `90 %`, `0,5`, `5248h`, `$5248` or `16#5248`."""
    percent = re.fullmatch(r"([0-9]+(?:\.[0-9]+)?) ?%", text)
    if percent is not None:
        return f"; write {float(percent[1]) / _PERCENT:g}"
    fraction = re.fullmatch(r"([0-9]{1,9}) ?/ ?([1-9][0-9]{0,8})", text)
    if fraction is not None:
        return f"; write {int(fraction[1]) / int(fraction[2]):.12g}"
    if re.fullmatch(r"[-+]?[0-9]+,[0-9]+", text):
        return f"; write {text.replace(',', '.')}"
    hexadecimal = re.fullmatch(
        r"(?:\$|16#|#|&[hH]|[hHxX]'?)([0-9A-Fa-f]{1,8})'?|([0-9][0-9A-Fa-f]{0,7})[hH]", text
    )
    return f"; write 0x{hexadecimal[1] or hexadecimal[2]}" if hexadecimal is not None else ""


def _is_number(text: str) -> bool:
    """Return whether a quoted text would be a number without its quotes."""
    return re.fullmatch(r"[-+]?[0-9]+(\.[0-9]+)?", text) is not None
