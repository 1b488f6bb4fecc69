"""Changes of what a run leaves, and how many are reported: single bytes, lines, and journals forged from end to end.

    python tests/bench/bench_detection.py [COUNT] [SEED]

COUNT (default 1000) single-byte changes each of journal, samples, signatures, summary, page, certificate and labels;
as many lines deleted, swapped, doubled, taken from another run and cut off; and each kind of forged journal of
tests/journal/test_forged.py. A change that `hilseq verify` calls a match is printed and makes the exit code 1.
Nothing is timed.
"""

from __future__ import annotations

import os
import random
import shutil
import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parents[2]))

from hilseq.errors import HilseqError
from hilseq.journal.reader import read_journal, run_state
from hilseq.journal.run_state import RunState, UnitState
from hilseq.journal.seals import look_for_damage
from hilseq.journal.signatures import Signer
from hilseq.reports import certificate, write
from hilseq.reports import verify as verifying
from hilseq.reports.files import report_names
from hilseq.reports.summary_code import summary_text
from hilseq.reports.verify import VerifyOutcome, verify
from hilseq.signing import known_stands, stand_key

DATA = Path(__file__).parents[1] / "data" / "journals-v0"
JOURNAL = "journal.jsonl"


def remember_papers() -> None:
    """Make each paper of a journal once: that of one chain value is the same whenever it is made.

    What verify does with a file, its journal, its samples and its signatures stays as it is.
    """
    known: dict[tuple[Any, ...], Any] = {}

    def once(make: Callable[..., Any]) -> Callable[..., Any]:
        def made(run: RunState, unit: UnitState, *rest: Any, **options: Any) -> Any:
            shown = [one for one in rest if isinstance(one, str | bytes | None)]
            key = (
                make,
                run.chain,
                unit.slot,
                str(shown),
                str(sorted(options.keys() - {"soak"})),
                unit.damage,
            )
            if key not in known:
                known[key] = make(run, unit, *rest, **options)
            return known[key]

        return made

    certificate.certificate, certificate.label = once(certificate.certificate), once(certificate.label)
    page = vars(verifying)["render"]  # it is imported there
    vars(verifying)["render"] = once(page)


def reported(run: Path, file: Path) -> bool:
    """Return whether `hilseq verify` tells a change: it calls it no match, or ends with an error in words."""
    try:
        return verify(file, run, known=known_stands()).outcome is not VerifyOutcome.MATCHES
    except HilseqError:
        return True


def changed_byte(content: bytes, stream: random.Random) -> bytes:
    at = stream.randrange(len(content))
    other = stream.choice([byte for byte in range(256) if byte != content[at]])
    return content[:at] + bytes([other]) + content[at + 1 :]


def deleted(lines: list[bytes], stream: random.Random) -> list[bytes]:
    at = stream.randrange(len(lines))
    return lines[:at] + lines[at + 1 :]


def swapped(lines: list[bytes], stream: random.Random) -> list[bytes]:
    one, other = stream.sample(range(len(lines)), 2)
    lines[one], lines[other] = lines[other], lines[one]
    return lines


def doubled(lines: list[bytes], stream: random.Random) -> list[bytes]:
    at = stream.randrange(len(lines))
    return [*lines[: at + 1], lines[at], *lines[at + 1 :]]


def spliced(lines: list[bytes], stream: random.Random) -> list[bytes]:
    theirs = (DATA / "repair" / JOURNAL).read_bytes().splitlines(keepends=True)
    at = stream.randrange(1, len(lines))
    return lines[:at] + theirs[min(at, len(theirs) - 1) :]


def truncated(lines: list[bytes], stream: random.Random) -> list[bytes]:
    content = b"".join(lines)
    return [content[: stream.randrange(1, len(content))]]


OF_LINES: tuple[Callable[[list[bytes], random.Random], list[bytes]], ...] = (
    *(deleted, swapped, doubled, spliced, truncated),
)


def made(folder: Path) -> list[Path]:
    """Sign the run in a folder, and make all that can be made of it; return the files."""
    run = look_for_damage(run_state(read_journal(folder)), folder)
    signer = Signer(folder, run.stand, run.run, stand_key(run.stand))
    signer.head(len(read_journal(folder).links), run.chain, final=True)
    for unit in run.units:
        signer.summary(unit.slot, summary_text(run, unit))
    record = write.write_reports(folder)
    names = [folder / write.SUMMARY, *(folder / name for name in report_names(record).values())]
    try:
        return [*names, *write.write_certificates(record, folder), *write.write_labels(record, folder)]
    except HilseqError as error:
        print(f"no papers of {folder.name}: {error}")
        return names


def changes(folder: Path, files: list[Path], count: int, stream: random.Random) -> Iterator[tuple[str, bool]]:
    """Yield the kind of each change and whether it was reported; every file is as it was afterwards."""
    journal = folder / JOURNAL
    beside = [*folder.glob("samples-*.bin"), folder / "signatures.jsonl"]
    for file in (journal, *beside, *files):
        content = file.read_bytes()
        for _ in range(count):
            file.write_bytes(changed_byte(content, stream))
            kind = f"a byte of {file.name.partition('-')[0].partition('.')[0]} ({file.suffix[1:]})"
            yield kind, reported(folder, journal if file in beside else file)
        file.write_bytes(content)
    content = journal.read_bytes()
    for change in OF_LINES:
        for _ in range(count):
            altered = b"".join(change(content.splitlines(keepends=True), stream))
            if altered != content:
                journal.write_bytes(altered)
                yield f"lines {change.__name__}", reported(folder, journal)
        journal.write_bytes(content)


def forged(folder: Path) -> Iterator[tuple[str, bool]]:
    """Yield for each kind of journal forged from end to end whether it was reported."""
    from tests.journal.test_forged import FORGED, FORGED_SOAKS, _lines, _rewrite

    kinds = [*((forge, "repair") for forge, _ in FORGED), *((forge, "soak") for forge, _ in FORGED_SOAKS)]
    for forge, source in kinds:
        run = Path(shutil.copytree(DATA / source, folder / forge.__name__, dirs_exist_ok=True))
        lines = _lines(run)
        forge(lines)
        _rewrite(run, lines)
        yield f"forged: {forge.__name__.strip('_').replace('_', ' ')}", reported(run, run / JOURNAL)


def main() -> int:
    """Run the campaign; print a line for each kind of change."""
    from tests.reports.conftest import good_run

    count = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    stream = random.Random(int(sys.argv[2]) if len(sys.argv) > 2 else 1)
    escaped = 0
    remember_papers()
    with tempfile.TemporaryDirectory(prefix="hilseq-detection-") as name:
        os.environ["HILSEQ_KEYS"] = f"{name}/keys"
        found: dict[str, list[bool]] = {}
        for folder in (
            good_run(Path(name) / "good"),
            Path(shutil.copytree(DATA / "soak", Path(name) / "soak")),
        ):
            for kind, seen in changes(folder, made(folder), count, stream):
                found.setdefault(kind, []).append(seen)
        for kind, seen in forged(Path(name)):
            found.setdefault(kind, []).append(seen)
    for kind, all_seen in found.items():
        missed = all_seen.count(False)
        escaped += missed
        print(f"{kind:50} {len(all_seen):6} changes, {missed} not reported")
    print(f"{sum(map(len, found.values()))} changes, {escaped} not reported")
    return 1 if escaped else 0


if __name__ == "__main__":
    raise SystemExit(main())
