"""What a run was given, word for word, as the first entry of its journal; and the folder it is kept in."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import hilseq
from hilseq.description.approved_plan import plan_file
from hilseq.description.crosscheck import untested_claims
from hilseq.description.stand import Stand
from hilseq.description.visit import Visit
from hilseq.errors import UsageError
from hilseq.journal.entries import LOGO, InputFile, RunOptions, RunStarted, UnitUnderTest
from hilseq.journal.writer import boot_id
from hilseq.plugin.options import VisitOptions
from hilseq.plugin.other_runs import earlier_runs


def _input(role: str, path: Path) -> InputFile:
    content = path.read_bytes()
    digest = hashlib.sha256(content).hexdigest()
    return InputFile(role=role, name=path.name, sha256=digest, text=content.decode("utf-8", "replace"))


#: A larger logo is none, bytes.
_LARGEST_LOGO = 200_000


def _logo(stand_file: Path, stand: Stand) -> list[InputFile]:
    """Return the logo of the shop, where there is one. Raises UsageError when it cannot be had."""
    if stand.shop is None or stand.shop.logo is None:
        return []
    path = stand_file.parent / stand.shop.logo
    try:
        if path.stat().st_size > _LARGEST_LOGO:
            raise UsageError(
                f"the logo {path} is larger than {_LARGEST_LOGO} bytes; expected a small SVG file"
            )
        logo = _input(LOGO, path)
    except OSError as error:
        raise UsageError(f"the logo {path} cannot be read: {error.strerror or error}") from None
    if "<svg" not in logo.text:
        raise UsageError(f"the logo {path} is no SVG file; convert it, or leave `shop.logo` out")
    return [logo]


def run_header(
    folder: Path, options: VisitOptions, visit: Visit, sequences: Sequence[Path], *, simulated: bool
) -> RunStarted:
    """Return the first entry of a run that is about to begin in `folder`."""
    files = sorted(set(sequences))
    inputs = [_input("stand file", options.stand)]
    inputs += [_input(f"profile of slot {slot}", path) for slot, path in options.units.items()]
    plans = {slot: plan_file(path) for slot, path in options.units.items()}
    inputs += [
        _input(f"approved plan of slot {slot}", path) for slot, path in plans.items() if path.is_file()
    ]
    inputs += [_input("sequence", path) for path in files]
    inputs += _logo(options.stand, visit.stand)
    return RunStarted(
        run=folder.name,
        stand=visit.stand.stand,
        hilseq=hilseq.__version__,
        boot=boot_id(),
        simulated=simulated,
        seed=options.seed if options.simulate else None,
        decision_rules={slot: profile.decision_rule for slot, profile in visit.profiles.items()},
        units=tuple(
            UnitUnderTest(
                slot=slot,
                serial=options.serials[slot],
                part=profile.part,
                description=profile.description,
                unmeasured=tuple(untested_claims(visit.stand, slot, profile)),
                intake=dict(options.intakes.get(slot, {})),
                prior_runs=earlier_runs(folder, profile.part, options.serials[slot], simulated=simulated),
            )
            for slot, profile in visit.profiles.items()
        ),
        options=RunOptions(
            attended=options.attended,
            retest=options.retest.name if options.retest else "",
            simulate=options.simulate,
            real_timing=options.real_timing,
            defects=tuple(options.defects),
            defect_files=tuple(str(path) for path in options.defect_files),
            soak=options.soak,
            soak_duration=options.soak_duration,
            sequences=tuple(str(path.absolute()) for path in files),
        ),
        inputs=tuple(inputs),
    )


def default_folder(serials: Sequence[str]) -> Path:
    """Return the folder of a run that begins now, where none is named."""
    words = "-".join("".join(c if c.isalnum() else "_" for c in serial) for serial in serials)
    return Path("runs") / f"{datetime.now(UTC):%Y%m%d-%H%M%S}-{words[:60]}"
