"""What a run was given, word for word, as the first entry of its journal; and the folder it is kept in.

A journal that is verified is held against these files: whoever writes it anew may leave them as they are, with their
hashes, and state otherwise what they say: another rule, a shorter soak, a waived reading, a calibration that holds.
What an earlier version stated in other words is left alone: names, numbers and rules are compared, sentences are not.
"""

from __future__ import annotations

import hashlib
import re
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime
from pathlib import Path

import hilseq
from hilseq.description.approved_plan import plan_file
from hilseq.description.crosscheck import untested_claims
from hilseq.description.loading import load_profile, load_stand
from hilseq.description.profile import Profile
from hilseq.description.stand import Stand
from hilseq.description.visit import Visit
from hilseq.errors import HilseqError, UsageError
from hilseq.journal.entries import (
    LOGO,
    CertificateStated,
    InputFile,
    KnownCause,
    RunOptions,
    RunStarted,
    UnitUnderTest,
)
from hilseq.journal.run_state import RunState, UnitState
from hilseq.journal.writer import boot_id
from hilseq.plugin import stages
from hilseq.plugin.options import VisitOptions
from hilseq.plugin.other_runs import earlier_runs
from hilseq.plugin.planned import causes_stated, certificate_stated


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


# -- a journal against its files ------------------------------------------------------------------------


def contradicts_its_files(run: RunState) -> list[str]:
    """Return where a journal states otherwise what its own stand file and profiles say, in words; mostly nothing.

    A file that this version cannot read says nothing.
    """
    texts = {one.role: one.text for one in run.inputs}
    with tempfile.TemporaryDirectory(prefix="hilseq-verify-") as name:
        folder = Path(name)

        def written(role: str) -> Path:
            path = folder / "description.yaml"
            path.write_text(texts.get(role, ""), encoding="utf-8", errors="replace")
            return path

        try:
            stand = load_stand(written("stand file"))
        except (HilseqError, RecursionError):
            return []
        found = list(_of_stand(run, stand))
        for unit in run.units:
            try:
                profile = load_profile(written(f"profile of slot {unit.slot}"))
            except (HilseqError, RecursionError):
                continue
            found += _of_unit(run, unit, stand, profile)
        return found


def _of_stand(run: RunState, stand: Stand) -> Iterator[str]:
    if run.stand != stand.stand:
        yield f"the run states the stand {run.stand}, and its stand file is that of {stand.stand}"
    parts = {f"supply {name}": supply.calibration for name, supply in stand.supplies.items()}
    parts |= {f"io {name}": io.calibration for name, io in stand.io.items()}
    for instrument in run.instruments:
        calibration = parts.get(instrument.name)
        due = "" if calibration is None else calibration.due.isoformat()
        if instrument.name in parts and instrument.due != due:
            words = (
                f"the calibration of {instrument.name} is stated to hold until {instrument.due or 'no date'}"
            )
            yield f"{words}, and by the stand file until {due or 'no date'}"


def _of_unit(run: RunState, unit: UnitState, stand: Stand, profile: Profile) -> Iterator[str]:
    """Compare what is stated of a unit; what its run knew nothing of yet is not held against it."""
    slot = unit.slot
    if unit.part != profile.part or unit.description != profile.description:
        yield f"the unit of slot {slot} is stated to be another than that of its profile"
    rule = run.header.decision_rules.get(slot)
    if rule is not None and rule != profile.decision_rule:
        yield f"the run states the decision rule `{rule}` for slot {slot}, and the profile `{profile.decision_rule}`"
    if unit.plan is not None:
        planned = None if profile.soak is None else profile.soak.duration
        if unit.plan.soak != planned:
            yield f"the run states a planned soak of {unit.plan.soak} s for slot {slot}, and the profile {planned} s"
        soak = (stages.SOAK,) if profile.soak else ()
        claimed = {*stages.required(profile, ()), *soak} & set(unit.plan.not_claimed)
        if claimed:
            yield f"the run states that the profile of slot {slot} does not claim {min(claimed)}, and it does"
    if unit.paper is not None:
        yield from _of_paper(unit.paper, certificate_stated(slot, stand, profile, ()))
    if unit.known_causes and _causes(unit.known_causes) != _causes(causes_stated(slot, profile, {}).causes):
        yield f"the run states other causes for slot {slot} than the profile"


def _of_paper(stated: CertificateStated, expected: CertificateStated) -> Iterator[str]:
    for what, one, other in (
        ("key readings", stated.key_readings, expected.key_readings),
        ("waived readings and calibrations", _names(stated.waived), _names(expected.waived)),
        ("shop", stated.shop, expected.shop),
        ("address of the shop", stated.shop_address, expected.shop_address),
        ("signal of the ambient temperature", stated.ambient, expected.ambient),
    ):
        if one != other:
            yield f"the run states for slot {stated.slot} another content of `{what}` than its files"


def _causes(known: Iterable[KnownCause]) -> list[tuple[object, ...]]:
    """Return causes without what the records knew of them."""
    return [(cause.name, cause.action, cause.places, cause.faults) for cause in known]


def _names(waived: Iterable[str]) -> list[str]:
    """Return what is waived, without the reason."""
    return [re.split("[,:]", text, maxsplit=1)[0] for text in waived]
