"""Read a description file safely: YAML in, values with their places out, every trap answered.

YAML is read as version 1.1, as most tools do, but what silently changes its meaning there is refused
(numbers with leading zeros, duplicate keys) or left as text (`12:30:00`). Aliases and tags are refused
altogether, so no file can grow in memory or build objects. Everything is bounded before it is read.
"""

from __future__ import annotations

import datetime as dt
import difflib
import re
import stat
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import yaml

from hilseq.description.findings import Key, Mark, Scalar, SourcePosition
from hilseq.errors import DescriptionError, Problem

#: Largest file that is read; the largest sensible stand file is a tenth of it.
LARGEST_BYTES = 1_000_000
#: Deepest nesting of mappings and lists; the models go eight deep.
DEEPEST = 32
#: Most values in one file: keeps the worst file of the largest size under a second.
MOST_VALUES = 50_000

_LOADER: type = getattr(yaml, "CSafeLoader", yaml.SafeLoader)
#: What YAML 1.1 forbids, and the line separators that editors do not count as new lines.
_INVISIBLE = re.compile(
    "[^\t\n\r\x20-\x7e\xa0-\u2027\u202a-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)


def read_text(path: Path) -> str:
    """Return the text of a file, or raise DescriptionError: missing, too large, not text."""
    data = _read_bytes(path)
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        raise _whole(path, "the file is UTF-16", "UTF-8; save it again with that encoding")
    if data[:4] == b"PK\x03\x04":
        raise _whole(
            path,
            "this is no text but a workbook of a spreadsheet, or another archive",
            "a text file; save it as CSV",
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        # With a byte-order mark in front, Python counts the offset without it.
        offset = error.start + (3 if data.startswith(b"\xef\xbb\xbf") else 0)
        before = data[:offset]
        line = before.count(b"\n") + 1
        column = len(before[before.rfind(b"\n") + 1 :].decode("utf-8", "replace")) + 1
        wrong = f"byte 0x{data[offset]:02X} at offset {offset} is not UTF-8"
        expected = "text in UTF-8; save the file again with that encoding"
        raise DescriptionError([Problem(path, line, column, wrong, expected)]) from None
    invisible = _INVISIBLE.search(text)
    if invisible is not None:
        mark = _mark_of_offset(text, invisible.start())
        name = "NUL character" if invisible[0] == "\0" else f"invisible character U+{ord(invisible[0]):04X}"
        raise DescriptionError([Problem(path, *mark, f"{name} in the text", "printable text without it")])
    return text


def read_yaml(path: Path) -> tuple[SourcePosition, list[Problem]]:
    """Return the one document of a file, and the traps in it that left the rest readable.

    Raises DescriptionError when there is no document to continue with.
    """
    return compose(read_text(path), path)


def compose(text: str, path: Path) -> tuple[SourcePosition, list[Problem]]:
    """Return the one document of a YAML text and its traps; `path` is only named in messages."""
    composer = _Composer(text, path)
    try:
        document = composer.document()
    except yaml.MarkedYAMLError as error:
        composer.problems.append(_syntax_problem(error, text, path))
        document = None
    except (yaml.YAMLError, RecursionError) as error:
        composer.problems.append(Problem(path, 0, 0, f"not readable as YAML ({error})"))
        document = None
    if document is not None and isinstance(document.content, str) and not document.quoted:
        missing = _missing_colon(_LINE_BREAK.split(text), document.mark.line - 1)
        if missing is not None:  # YAML takes it all for one text
            raise DescriptionError([*composer.problems, Problem(path, *missing)])
    if document is None:
        if composer.problems:
            raise DescriptionError(composer.problems)
        raise _whole(path, "the file is empty", "a stand file or a profile")
    return document, composer.problems


def _whole(path: Path, wrong: str, expected: str = "", nearest: str = "") -> DescriptionError:
    return DescriptionError([Problem(path, 0, 0, wrong, expected, nearest)])


def _read_bytes(path: Path) -> bytes:
    try:
        status = path.stat()
    except FileNotFoundError:
        kind = "a CSV file" if path.suffix == ".csv" else "a YAML file"
        raise _whole(path, "there is no such file", kind, _nearest_file(path)) from None
    except (OSError, ValueError) as error:
        raise _whole(path, f"cannot be read: {_reason(error)}", "a YAML file") from error
    if stat.S_ISDIR(status.st_mode):
        raise _whole(path, "is a folder", "a YAML file")
    if not stat.S_ISREG(status.st_mode):
        raise _whole(path, "is no ordinary file", "a YAML file")
    if status.st_size > LARGEST_BYTES:
        raise _whole(
            path,
            f"the file has {status.st_size:,} bytes",
            f"a description of at most {LARGEST_BYTES:,} bytes; it was not read",
        )
    try:
        with path.open("rb") as file:
            data = file.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise _whole(path, f"cannot be read: {_reason(error)}", "a YAML file") from error
    if len(data) > LARGEST_BYTES:  # it grew after the first look
        raise _whole(path, "the file is too large", f"at most {LARGEST_BYTES:,} bytes")
    return data


def _reason(error: Exception) -> str:
    return (error.strerror or str(error)) if isinstance(error, OSError) else str(error)


def _nearest_file(path: Path) -> str:
    try:
        endings = (".csv",) if path.suffix == ".csv" else (".yaml", ".yml")
        stems = {file.stem: file.name for file in sorted(path.parent.iterdir()) if file.suffix in endings}
    except (OSError, ValueError):
        return ""
    close = difflib.get_close_matches(path.stem, list(stems)[:1000], n=1)
    return str(path.parent / stems[close[0]]) if close else ""


def _mark_of_offset(text: str, offset: int) -> Mark:
    before = text[:offset]
    return Mark(before.count("\n") + 1, offset - (before.rfind("\n") + 1) + 1)


#: What ends a line for the parser, whose line numbers these are (YAML 1.1, 5.4, from memory).
_LINE_BREAK = re.compile("\r\n|[\r\n\x85\u2028\u2029]")


def _syntax_problem(error: yaml.MarkedYAMLError, text: str, path: Path) -> Problem:
    """Put an error of the YAML parser into words; it stops at the first."""
    place = error.problem_mark or error.context_mark
    said = error.problem or "syntax error"
    if place is None:
        return Problem(path, 0, 0, f"YAML cannot be read: {said}")
    lines = _LINE_BREAK.split(text)
    written = lines[place.line] if place.line < len(lines) else ""
    indent = written[: len(written) - len(written.lstrip())]
    here = written[place.column : place.column + 1]
    if "\t" in indent or here == "\t":
        column = written.index("\t") + 1
        wrong = "a tab stands where YAML wants spaces"
        return Problem(path, place.line + 1, column, wrong, "spaces for indentation")
    opened = error.context_mark
    slip = _slip_of_layout(said, lines, place.line, opened.line if opened is not None else place.line)
    if slip is not None:
        return Problem(path, *slip)
    if opened is not None and "end of stream" in said:
        wrong = "the quote that opens here is never closed"
        return Problem(
            path, opened.line + 1, opened.column + 1, wrong, "the same quote at the end of the text"
        )
    return Problem(path, place.line + 1, place.column + 1, *_syntax_words(said, here, opened))


_KEY = re.compile(r" *(?:- )?(?P<key>[\w.][\w. -]*):(?P<value>.*)")
_NO_SPACE = re.compile(r" *(?:- )?(?P<key>[\w.-]+):[^\s/]")
_NO_COLON = re.compile(r" *(?P<key>[\w.-]+) +[\[{]")
_WORDS_WITHOUT_COLON = re.compile(r" *(?:- )?(?P<key>[A-Za-z][\w.-]*) +[^\s:](?:[^:]|:(?!\s|$))*")


def _missing_colon(lines: list[str], line: int) -> tuple[int, int, str, str] | None:
    """Return the problem of a line that begins with a word and values and has no colon, None where it has one."""
    written = lines[line].partition(" #")[0].rstrip() if 0 <= line < len(lines) else ""
    match = _WORDS_WITHOUT_COLON.fullmatch(written)
    if match is None:
        return None
    wrong = f"no colon behind `{match['key']}`"
    return line + 1, match.end("key") + 1, wrong, "a colon and a space behind the key"


def _slip_of_colon(said: str, lines: list[str], line: int, opened: int) -> tuple[int, int, str, str] | None:
    """Return line, column, what is wrong and what was expected where a key lacks its colon, or the space behind it."""
    if "could not find expected ':'" in said:
        match = _NO_SPACE.match(lines[opened])
        if match is not None:
            wrong = f"no space behind the colon of `{match['key']}`"
            return opened + 1, match.end(), wrong, "a space between the colon and the value"
        return _missing_colon(lines, opened)
    above = next(
        (at for at in range(line - 1, -1, -1) if lines[at].strip() and lines[at].lstrip()[0] != "#"), None
    )
    if above is None or not any(part in said for part in ("mapping values", "<document start>")):
        return None
    match = _NO_SPACE.match(lines[above])
    if match is not None:  # it took this line for the rest of a text
        wrong = f"no space behind the colon of `{match['key']}`"
        return above + 1, match.end(), wrong, "a space between the colon and the value"
    return _missing_colon(lines, above)


def _slip_of_layout(said: str, lines: list[str], line: int, opened: int) -> tuple[int, int, str, str] | None:
    """Return line, column, what is wrong and what was expected where a slip of the layout explains a syntax error."""
    slip = _slip_of_colon(said, lines, line, opened)
    if slip is not None:
        return slip
    if not any(part in said for part in ("mapping values", "expected key", "<block end>", "'-' indicator")):
        return None
    text = lines[line] if line < len(lines) else ""
    match = _NO_COLON.match(text)
    if match is not None:
        wrong = f"no colon behind `{match['key']}`"
        return line + 1, match.end("key") + 1, wrong, "a colon and a space behind the key"
    odd = [at for at in range(line) if lines[at].partition(" #")[0].replace('\\"', "").count('"') % 2]
    if odd:
        wrong = "the quote that opens here is not closed in this line"
        return odd[0] + 1, lines[odd[0]].rindex('"') + 1, wrong, "the same quote at the end of the text"
    return _slip_of_indentation(lines, line)


def _slip_of_indentation(lines: list[str], line: int) -> tuple[int, int, str, str] | None:
    here = _KEY.match(lines[line]) if line < len(lines) else None
    above = [(at, found) for at in range(line) if (found := _KEY.match(lines[at])) is not None]
    if here is None or not above:
        return None
    indent = here.start("key")
    open_levels: dict[int, int] = {}
    for at, found in reversed(above):
        level = found.start("key")
        if not open_levels or level < min(open_levels):
            open_levels[level] = at + 1
    last, key = above[-1]
    if indent in open_levels:
        return None
    fitting = " or ".join(
        f"{level} (as line {number})" for level, number in sorted(open_levels.items())[::-1]
    )
    wrong = f"`{here['key']}` is indented by {indent} space{'s' * (indent != 1)}"
    if indent > key.start("key"):
        wrong += f", deeper than line {last + 1}, which has a value already"
    return line + 1, indent + 1, wrong, f"as many spaces as the keys it belongs to: {fitting}"


#: What the parser says -> what is wrong, what was expected. `{here}` is the character it stopped at,
#: `{opened}` the line where the bracket opens.
_SYNTAX_WORDS = {
    "nesting": ("nested too deeply", f"at most {DEEPEST} levels"),
    "cannot start any token": ("a value cannot begin with {here!r}", "the text in quotes"),
    "mapping values are not allowed": (
        "a colon stands where none may be",
        "one `key: value` a line, also in the lines above; quote a text that contains `: `",
    ),
    "could not find expected ':'": (
        "this is no `key: value`, or the line above is none",
        "a colon and a space behind the key",
    ),
    "expected <document start>": (
        "the lines above are no `key: value`",
        "a colon and a space behind each key, from the first line on",
    ),
    "',' or ']'": ("the bracket is not closed", "`,` or `]`; it opens in line {opened}"),
    "',' or '}'": ("the bracket is not closed", "`,` or `}}`; it opens in line {opened}"),
    "expected <block end>": (
        "this line is indented differently from those above",
        "the same indentation for all keys of a mapping",
    ),
    "hexdecimal number": (
        "a backslash in double quotes begins an escape, and this is none",
        "single quotes around the text, or the backslash twice",
    ),
    "unknown escape character": (
        "a backslash in double quotes begins an escape, and this is none",
        "single quotes around the text, or the backslash twice",
    ),
    "did not find expected key": (
        "here a key should begin",
        "the indentation of the keys above, and quotes inside quotes doubled",
    ),
}


def _syntax_words(said: str, here: str, opened: yaml.Mark | None) -> tuple[str, str]:
    """Return what is wrong and what was expected, for what the parser says."""
    for part, (wrong, expected) in _SYNTAX_WORDS.items():
        if part in said:
            line = 0 if opened is None else opened.line + 1
            return wrong.format(here=here), expected.format(opened=line)
    return f"YAML cannot be read here: {said}", ""


def _mark_of(event: yaml.Event) -> Mark:
    start = event.start_mark
    return Mark(1, 1) if start is None else Mark(start.line + 1, start.column + 1)


class _Composer:
    """Turns the parser's events into values without recursion, so that depth is ours to limit."""

    def __init__(self, text: str, path: Path) -> None:
        self.path = path
        self.problems: list[Problem] = []
        self._events: Iterator[yaml.Event] = yaml.parse(text, Loader=_LOADER)
        self._count = 0

    def _say(self, mark: Mark, wrong: str, expected: str = "") -> None:
        self.problems.append(Problem(self.path, *mark, wrong, expected))

    def document(self) -> SourcePosition | None:
        root: SourcePosition | None = None
        documents = 0
        stack: list[_Open] = []
        for event in self._events:
            mark = _mark_of(event)
            if isinstance(event, yaml.DocumentStartEvent):
                documents += 1
                if documents > 1:
                    self._say(mark, "a second document begins here", "one document in a file, without `---`")
                    return root
            elif isinstance(event, yaml.AliasEvent):
                self._say(
                    mark, f"the alias *{event.anchor}", "the value written out; aliases are not used here"
                )
                self._put(stack, SourcePosition(None, mark))
            elif isinstance(event, yaml.ScalarEvent):
                done = self._scalar(event, mark)
                root = self._put(stack, done) or root
            elif isinstance(event, yaml.CollectionStartEvent):
                self._refuse_decoration(event, mark)
                if len(stack) >= DEEPEST:
                    self._say(mark, "nested too deeply", f"at most {DEEPEST} levels")
                    return None
                stack.append(_Open(mark, is_map=isinstance(event, yaml.MappingStartEvent)))
            elif isinstance(event, yaml.CollectionEndEvent):
                root = self._put(stack, stack.pop().close()) or root
            if self._count > MOST_VALUES:
                self._say(mark, f"more than {MOST_VALUES:,} values", "a smaller file")
                return None
        return root if documents and root and not self._is_nothing(root) else None

    @staticmethod
    def _is_nothing(root: SourcePosition) -> bool:
        return root.content is None and not root.text

    def _refuse_decoration(self, event: yaml.NodeEvent, mark: Mark) -> None:
        tag = getattr(event, "tag", None)
        if tag:
            shown = tag.replace("tag:yaml.org,2002:", "!!")[:60]
            self._say(mark, f"the tag {shown}", "a plain value; tags are not used here")
        if event.anchor:
            self._say(
                mark, f"the anchor &{event.anchor[:60]}", "a value without it; anchors are not used here"
            )

    def _scalar(self, event: yaml.ScalarEvent, mark: Mark) -> SourcePosition:
        self._refuse_decoration(event, mark)
        quoted = not event.implicit[0]
        if event.value == "<<" and not quoted:
            self._say(mark, "the merge key <<", "the keys written out; merging is not used here")
        if quoted:
            return SourcePosition(event.value, mark, text=event.value, quoted=True)
        try:
            return SourcePosition(read_scalar(event.value), mark, text=event.value)
        except ScalarTrapError as trap:
            self._say(mark, trap.wrong, trap.expected)
            return SourcePosition(event.value, mark, text=event.value)

    def _put(self, stack: list[_Open], value: SourcePosition) -> SourcePosition | None:
        """Put a finished value where it belongs; returns it when it is the whole document."""
        self._count += 1
        if not stack:
            return value
        parent = stack[-1]
        if not parent.is_map:
            parent.listed.append(value)
        elif parent.pending is None:
            parent.pending = value
        else:
            self._pair(parent, parent.pending, value)
            parent.pending = None
        return None

    def _pair(self, parent: _Open, key: SourcePosition, value: SourcePosition) -> None:
        if self._is_decimal_comma(parent, key, value):
            return
        # A truth value is never meant in front of a colon: `off:` is the name of a time.
        name = key.text if isinstance(key.content, bool) else key.content
        if not isinstance(name, str | int):
            shown = f"`{key.text}`" if key.text else "this key"
            self._say(key.mark, f"{shown} is no name", "a name or a whole number before the colon")
        elif name in parent.mapped:
            first = parent.mapped[name].start
            wrong = f"the key {(key.text or str(name))[:60]!r} stands here a second time"
            self._say(key.mark, wrong, f"each key once; the first is in line {first.line}")
        else:
            parent.mapped[name] = SourcePosition(
                value.content, value.mark, key.mark, text=value.text, quoted=value.quoted
            )

    def _is_decimal_comma(self, parent: _Open, key: SourcePosition, value: SourcePosition) -> bool:
        """Return whether `{nominal: 3,0 V}` was written: a comma between digits, which ends the value there."""
        if not parent.mapped or value.text or value.content is not None or key.quoted:
            return False
        name, before = next(reversed(parent.mapped.items()))
        if not re.fullmatch(r"[-+]?\d+", before.text) or not re.match(r"\d+(?:\s|$)", key.text):
            return False
        if key.mark != Mark(before.mark.line, before.mark.column + len(before.text) + 1):
            return False
        self.problems = [problem for problem in self.problems if (problem.line, problem.column) != key.mark]
        meant = f"{before.text}.{key.text}"
        self._say(before.mark, f"a comma ends the value of `{name}` here", f"a point for decimals: {meant}")
        parent.mapped[name] = replace(before, content=meant, text=meant)
        return True


class _Open:
    """A mapping or list whose end has not come yet."""

    __slots__ = ("is_map", "listed", "mapped", "mark", "pending")

    def __init__(self, mark: Mark, *, is_map: bool) -> None:
        self.mark = mark
        self.is_map = is_map
        self.mapped: dict[Key, SourcePosition] = {}
        self.listed: list[SourcePosition] = []
        self.pending: SourcePosition | None = None

    def close(self) -> SourcePosition:
        return SourcePosition(self.mapped if self.is_map else self.listed, self.mark)


_NOTHING = frozenset({"", "~", "null", "Null", "NULL"})
_TRUTH = {
    spelling: truth
    for word, truth in {
        "yes": True,
        "on": True,
        "true": True,
        "no": False,
        "off": False,
        "false": False,
    }.items()
    for spelling in (word, word.capitalize(), word.upper())
}
_INT = re.compile(r"[-+]?(?:0|[1-9][0-9_]*)")
_HEX = re.compile(r"[-+]?0x[0-9a-fA-F_]+")
_BINARY = re.compile(r"[-+]?0b[01_]+")
_LEADING_ZERO = re.compile(r"[-+]?0[0-9_]+")
_FLOAT = re.compile(r"[-+]?(?:[0-9][0-9_]*\.[0-9_]*|\.[0-9][0-9_]*)(?:[eE][-+][0-9]+)?")
_DATE = re.compile(r"(\d{4})-(\d\d?)-(\d\d?)")
#: SourcePosition as a number, but text to YAML 1.1, which wants a point and a signed exponent.
_ALMOST_FLOAT = re.compile(r"[-+]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)[eE][-+]?[0-9]+")
_SEXAGESIMAL = re.compile(r"[-+]?[0-9][0-9_]*(?::[0-5]?[0-9])+(?:\.[0-9_]*)?")
#: Longest number that is read; the largest number in a description has ten digits.
_LONGEST = 40


class ScalarTrapError(ValueError):
    """The word means something else to YAML than to the person who wrote it."""

    def __init__(self, wrong: str, expected: str) -> None:
        super().__init__(f"{wrong}; expected {expected}")
        self.wrong = wrong
        self.expected = expected


def read_scalar(text: str) -> Scalar:
    """Return the value of an unquoted word. Raises ScalarTrapError."""
    if text in _NOTHING:
        return None
    if text in _TRUTH:
        return _TRUTH[text]
    if text[0] in "+-.0123456789":
        return _number_or_date(text)
    return text


def _number_or_date(text: str) -> Scalar:
    integer = _INT.fullmatch(text) or _HEX.fullmatch(text) or _BINARY.fullmatch(text)
    if (integer or _FLOAT.fullmatch(text)) and len(text) > _LONGEST:
        raise ScalarTrapError(
            f"a number of {len(text)} digits", f"at most {_LONGEST} digits, or quotes around it"
        )
    if integer:
        digits = text.replace("_", "")
        if digits.lower().lstrip("+-") in ("0x", "0b"):
            return text
        return int(digits, 0)
    if _LEADING_ZERO.fullmatch(text):
        digits = text.replace("_", "").lstrip("+-")
        short = digits.lstrip("0") or "0"
        raise ScalarTrapError(
            f"{text[:_LONGEST]} begins with 0, which YAML reads as an octal number",
            f"{short[:_LONGEST]} for the number, or '{text[:_LONGEST]}' in quotes for a text",
        )
    if _FLOAT.fullmatch(text) and text.strip("+-._"):
        return float(text.replace("_", ""))
    date = _DATE.fullmatch(text)
    if date:
        try:
            return dt.date(int(date[1]), int(date[2]), int(date[3]))
        except ValueError:
            raise ScalarTrapError(f"there is no day {text}", "a date YYYY-MM-DD") from None
    return text


def number_hint(text: str) -> str:
    """Explain why a word that looks like a number is text to YAML; empty when it does not."""
    if len(text) <= _LONGEST and _ALMOST_FLOAT.fullmatch(text):
        try:
            value = float(text)
        except (ValueError, OverflowError):
            return ""
        plain = repr(value)
        return plain if _FLOAT.fullmatch(plain) else f"{value:.6e}"
    return ""


def looks_sexagesimal(text: str) -> bool:
    """Return whether YAML 1.1 would read the word as a number to base 60, such as 12:30:00."""
    return len(text) <= _LONGEST and _SEXAGESIMAL.fullmatch(text) is not None
