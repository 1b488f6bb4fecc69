"""What a profile plans over time can be done, and would be seen: the soak's steps and ports, the starts of a claim."""

from __future__ import annotations

from hilseq.analysis.counted import trials_needed
from hilseq.analysis.start_plans import sequential_starts_about
from hilseq.description.checks.finding import Finding, Findings
from hilseq.description.plans import Cycling
from hilseq.description.profile import Profile
from hilseq.quantities import show_duration

#: More starts than this nobody makes: at 10 s each they take twelve days.
MOST_STARTS = 100_000


def soak_current_can_flow(profile: Profile) -> Findings:
    """Require that the supply lets the unit draw what the soak expects of it."""
    soak, limit = profile.soak, profile.ratings.current_limit
    if soak is not None and soak.current is not None and soak.current.low >= limit:
        wrong = f"current begins at {soak.current.low:g} A, but the supply is limited to {limit:g} A"
        yield Finding(("soak", "current"), wrong, "less than `ratings.current-limit`")


def pattern_steps_are_seen(profile: Profile) -> Findings:
    """Require that each step of the load pattern lasts until the outputs have followed and a sample was taken."""
    soak = profile.soak
    if soak is None or soak.pattern in ("off", "on") or soak.period > soak.duration:
        return
    slowest = max((point.settle for point in profile.points.outputs.values()), default=0.0)
    for what, shortest in (("`period`", soak.period), ("`settle` of the slowest output", slowest)):
        if soak.pattern_period < shortest:
            wrong = (
                f"a step of the pattern ({show_duration(soak.pattern_period)}) is shorter than {what} "
                f"({show_duration(shortest)})"
            )
            yield Finding(("soak", "pattern-period"), wrong, f"at least {show_duration(shortest)}")


def soak_traffic_has_ports(profile: Profile) -> Findings:
    """Ports kept busy during the soak are ports of the unit, each named once."""
    if profile.soak is None:
        return
    names = profile.soak.port_traffic
    for position, name in enumerate(names):
        place = ("soak", "port-traffic", position)
        if name not in profile.ports:
            yield Finding(
                place,
                f"the unit has no port {name!r}",
                f"one of {', '.join(profile.ports)}" if profile.ports else "no ports",
                absent=("ports", name),
            )
        elif name in names[:position]:
            yield Finding(place, f"{name} stands here twice", "each port once")


def starts_can_be_made(profile: Profile) -> Findings:
    """Require that the claim about starting can be proven in a number of starts that somebody would make."""
    claim = profile.cycling
    if claim is None:
        return
    needed, claimed = _starts_needed(claim), f"a start probability of {claim.start_probability:.15g}"
    if needed <= MOST_STARTS:
        return
    if claim.plan == "success run":
        wrong = f"{claimed} with confidence {claim.confidence:.15g} needs {needed} cold starts"
    else:
        wrong = (
            f"telling {claimed} from {claim.worst_probability:.15g} needs up to about {needed} cold starts"
        )
    takes = show_duration(needed * (claim.off + profile.start.ready_within))
    yield Finding(
        ("cycling", "start-probability"),
        f"{wrong}, up to {takes}",
        f"a claim that {MOST_STARTS} starts can prove",
    )


def _starts_needed(claim: Cycling) -> int:
    if claim.plan == "success run" or claim.worst_probability is None:
        return trials_needed(claim.start_probability, claim.confidence)
    most = sequential_starts_about(
        claim.start_probability, claim.worst_probability, claim.producer_risk, claim.consumer_risk
    )
    return int(float(f"{most:.3g}"))  # no more digits than it deserves
