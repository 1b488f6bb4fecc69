"""The files that the visits of a campaign depend on: named by their contents, and carried to whoever makes them."""

from __future__ import annotations

import hashlib
from functools import cache
from pathlib import Path

import hilseq
from hilseq.errors import UsageError
from hilseq.twin import model_faults

#: Bytes that are sent to every worker; a folder with more is one of something else.
_MOST = 50_000_000


class Parcel:
    """Files and folders of this computer, to be laid out on another as they lie here.

    With a file go those of the same stem beside it (what was approved for a profile, the golden unit of a stand), and
    the `conftest.py` of a sequence; of a folder everything, but for hidden files and compiled modules.
    """

    def __init__(self) -> None:
        self._roots: list[Path] = []
        self._contents: dict[str, bytes] = {}

    def add(self, given: Path) -> str:
        """Take a file or a folder in; return its path in the parcel. Raises UsageError when it cannot be read."""
        given = given.resolve()
        root = given if given.is_dir() else given.parent
        if root not in self._roots:
            self._roots.append(root)
        top = f"{self._roots.index(root)}/{root.name}"
        try:
            for file in _files(given):
                self._contents[f"{top}/{file.relative_to(root).as_posix()}"] = file.read_bytes()
        except OSError as error:
            raise UsageError(f"{given} cannot be read: {error.strerror or error}") from None
        size = sum(map(len, self._contents.values()))
        if size > _MOST:
            raise UsageError(
                f"{given} makes {size / 1e6:.0f} MB, which every worker would be sent; name a folder of sequences alone"
            )
        return top if root == given else f"{top}/{given.name}"

    @property
    def digest(self) -> str:
        """SHA-256 of all names and contents, hexadecimal."""
        return _digest(self._contents)

    def unpack(self, folder: Path) -> None:
        """Lay everything out in a folder."""
        for name, content in self._contents.items():
            target = folder / name
            target.parent.mkdir(parents=True, exist_ok=True)
            target.write_bytes(content)


def _files(given: Path) -> list[Path]:
    if not given.is_dir():
        beside = sorted(given.parent.glob(f"{given.stem}.*"))
        conftest = given.with_name("conftest.py")
        return [given, *(file for file in beside if file.is_file()), *([conftest] * conftest.is_file())]
    return [
        file
        for file in sorted(given.rglob("*"))
        if file.is_file()
        and file.suffix != ".pyc"
        and not any(part.startswith(".") for part in file.relative_to(given).parts)
    ]


@cache
def installed() -> str:
    """Return which hilseq this is: its version, and the hash of its modules, which a version may leave open."""
    contents = {}
    for package in (Path(hilseq.__file__).parent, model_faults().parents[1]):
        for file in package.rglob("*.py"):
            name = file.relative_to(package)
            if name.parts[0] != "data":  # sequences, which are carried
                contents[f"{package.name}/{name.as_posix()}"] = file.read_bytes()
    return f"{hilseq.__version__} (code {_digest(contents)[:12]})"


def _digest(contents: dict[str, bytes]) -> str:
    digest = hashlib.sha256()
    for name, content in sorted(contents.items()):
        digest.update(name.encode() + b"\0" + hashlib.sha256(content).digest())
    return digest.hexdigest()
