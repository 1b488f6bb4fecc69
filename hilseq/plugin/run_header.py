"""The first line of a journal: everything the run was given, word for word."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path

import hilseq
from hilseq.analysis.limits import DecisionRule
from hilseq.description.crosscheck import untested_claims
from hilseq.description.visit import Visit
from hilseq.journal.entries import InputFile, RunOptions, RunStarted, UnitUnderTest
from hilseq.journal.writer import boot_id
from hilseq.plugin.options import VisitOptions
from hilseq.plugin.other_runs import earlier_runs


def _input(role: str, path: Path) -> InputFile:
    content = path.read_bytes()
    digest = hashlib.sha256(content).hexdigest()
    return InputFile(role=role, name=path.name, sha256=digest, text=content.decode("utf-8", "replace"))


def run_header(
    folder: Path, options: VisitOptions, visit: Visit, sequences: Sequence[Path], *, simulated: bool
) -> RunStarted:
    """Return the first entry of a run that is about to begin in `folder`."""
    files = sorted(set(sequences))
    inputs = [_input("stand file", options.stand)]
    inputs += [_input(f"profile of slot {slot}", path) for slot, path in options.units.items()]
    inputs += [_input("sequence", path) for path in files]
    return RunStarted(
        run=folder.name,
        stand=visit.stand.stand,
        hilseq=hilseq.__version__,
        boot=boot_id(),
        simulated=simulated,
        seed=options.seed if options.simulate else None,
        decision_rules={
            slot: DecisionRule(profile.decision_rule) for slot, profile in visit.profiles.items()
        },
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
