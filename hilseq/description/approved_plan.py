"""The approved test plan of a type of unit: what a unit must go through before it gets a certificate.

A file beside the profile (`rh16.plan.json` for `rh16.yaml`), written by `hilseq plan --approve` and by nobody else: its
identity is the hash of the profile, the sequences and the names of the checks, which a run compares with its own.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from hilseq.errors import UsageError

ENDING = ".plan.json"
_Hash = Annotated[str, Field(pattern="^[0-9a-f]{64}$")]


class PlanContent(BaseModel):
    """What is to be done: files by their SHA-256, checks by name with the stage of each."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    part: str
    profile: _Hash
    sequences: dict[str, _Hash]
    #: Without the soak, which runs only when it is asked for.
    checks: dict[str, str]

    @property
    def identity(self) -> str:
        """SHA-256 of the content, however it is laid out."""
        return hashlib.sha256(json.dumps(self.model_dump(), sort_keys=True).encode()).hexdigest()


class ApprovedPlan(PlanContent):
    """A plan, and who approved it, when and why."""

    revision: Annotated[int, Field(ge=1)]
    approved_by: Annotated[str, Field(min_length=1)]
    approved_on: str
    why: Annotated[str, Field(min_length=1)]

    @property
    def content(self) -> PlanContent:
        """What is to be done."""
        return PlanContent(**{name: getattr(self, name) for name in PlanContent.model_fields})


def plan_file(profile: Path) -> Path:
    """Return where the approved plan of a profile lies, whether there is one or not."""
    return profile.with_name(profile.stem + ENDING)


def read_plan(profile: Path) -> ApprovedPlan | None:
    """Return the approved plan of a profile; None where there is none. Raises UsageError for one that is damaged."""
    path = plan_file(profile)
    try:
        text = path.read_bytes()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise UsageError(f"{path} cannot be read: {error.strerror}") from None
    again = "write it again with hilseq plan --approve, or delete it"
    try:
        written: dict[str, Any] = json.loads(text)
        identity = written.pop("identity")
        plan = ApprovedPlan.model_validate(written)
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        why = str(error.errors()[0]["msg"]) if isinstance(error, ValidationError) else "it has another form"
        raise UsageError(f"{path} is no approved plan ({why}); {again}") from None
    if identity != plan.content.identity:
        raise UsageError(f"{path} was changed by hand: its identity does not fit what it names; {again}")
    return plan


def plan_text(plan: ApprovedPlan) -> str:
    """Return the content of a plan's file."""
    head = ("part", "revision", "approved_by", "approved_on", "why")
    data = plan.model_dump()
    ordered = {name: data[name] for name in head} | {"identity": plan.content.identity} | data
    return json.dumps(ordered, indent=1, ensure_ascii=False) + "\n"


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, hexadecimal. Raises OSError."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def differences(approved: PlanContent, found: PlanContent, missing: Mapping[str, str]) -> list[str]:
    """Return in words what a run does otherwise than its plan; `missing` says why checks of the plan are left out."""
    reported = []
    if approved.profile != found.profile:
        reported.append("the profile is not the one that was approved")
    for name in sorted(approved.sequences.keys() | found.sequences.keys()):
        mine, theirs = found.sequences.get(name), approved.sequences.get(name)
        if mine is None:
            reported.append(f"{name} is left out")
        elif theirs is None:
            reported.append(f"{name} is not in the plan")
        elif mine != theirs:
            reported.append(f"{name} was changed")
    by_reason: dict[str, list[str]] = {}
    for check, why in missing.items():
        by_reason.setdefault(why, []).append(check)
    reported += [f"{_some(checks)} of the plan: {why}" for why, checks in by_reason.items()]
    more = [check for check in found.checks if check not in approved.checks]
    if more:
        reported.append(f"{_some(more)} beyond the plan")
    return reported


def _some(checks: list[str]) -> str:
    if len(checks) == 1:
        return f"the check {checks[0]}"
    return f"{len(checks)} checks (first {checks[0]})"
