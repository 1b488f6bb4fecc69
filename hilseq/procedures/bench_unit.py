"""One unit put together: its profile, and everything of the stand that reaches it."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from hilseq.clock import Clock
from hilseq.description.profile import Indicator, Profile
from hilseq.description.stand import Stand
from hilseq.errors import NotPerformed
from hilseq.instruments.signals import SignalBank
from hilseq.instruments.supply import PowerSupply
from hilseq.procedures.analog import AnalogPoints
from hilseq.procedures.bench_instruments import open_link
from hilseq.procedures.modes import Modes
from hilseq.procedures.operator import Operator, Prompt
from hilseq.procedures.points import Inputs, Outputs
from hilseq.procedures.unit import Unit
from hilseq.procedures.unit_supply import UnitSupply
from hilseq.procedures.wiring import SlotWiring


def unit_in(
    name: str,
    stand: Stand,
    profile: Profile,
    serial: str,
    intake: Mapping[str, str],
    *,
    supply: PowerSupply,
    signals: SignalBank,
    operator: Operator,
    clock: Clock,
    check_interlocks: Callable[[], None],
    event: Callable[[str, str], None],
) -> Unit:
    """Return the unit in slot `name`; `event(what, text)` takes note of what is done to it."""
    slot = stand.slots[name]
    wiring = SlotWiring(stand, name)
    link = open_link(slot, profile, f"unit {serial}")
    points = profile.points
    contacts = [p.contact for p in profile.modes.switch.values() if p.contact is not None]
    lamps = {}
    if profile.indicator is not None:
        lamps = {
            Indicator.HEALTHY: profile.indicator.healthy,
            Indicator.FAULTED: profile.indicator.faulted,
        }
    return Unit(
        name,
        serial,
        profile,
        slot,
        intake=intake,
        supply=UnitSupply(supply, profile, clock, check_interlocks, event),
        link=link,
        signals=signals,
        drives=wiring.drives(),
        lamps={state: signal for state, lamp in lamps.items() if (signal := wiring.sensor_of_bit(lamp))},
        look=lambda: _look(stand, name, operator),
        modes=Modes(
            name,
            profile,
            link=link,
            link_deadline=slot.link.deadline,
            signals=signals,
            contacts={contact: signal for contact in contacts if (signal := wiring.drive_of(contact))},
            operator=operator,
            texts=stand.operator,
            clock=clock,
            event=event,
        ),
        outputs=Outputs(
            points.outputs,
            link.values({n: p.command for n, p in points.outputs.items()}),
            signals,
            {n: wiring.sensor(n, profile.ratings.supply) for n in points.outputs},
            clock,
            voltmeters={n: signal for n in points.outputs if (signal := wiring.voltmeter(n)) is not None},
        ),
        analog=AnalogPoints(
            points,
            link.values({n: p.register_ for n, p in points.analog_inputs.items()}),
            link.values({n: p.register_ for n, p in points.analog_outputs.items()}),
            signals,
            signals_of={
                n: signal
                for n, p in (*points.analog_inputs.items(), *points.analog_outputs.items())
                if (signal := wiring.analog(n, p.terminal_dimension)) is not None
            },
            clock=clock,
        ),
        inputs=Inputs(
            points.inputs,
            link.values({n: p.report for n, p in points.inputs.items()}),
            signals,
            {n: wiring.drive(n, profile.ratings.supply) for n in points.inputs},
            clock,
        ),
        clock=clock,
    )


def _look(stand: Stand, slot: str, operator: Operator) -> Indicator:
    """Have a person look at the indicator. Raises NotPerformed when nobody is asked, or nobody answers."""
    texts = stand.operator
    if texts.look_at_indicator is None:
        raise NotPerformed("neither the stand nor the unit's link shows the indicator")
    question = texts.look_at_indicator.replace("{slot}", slot)
    states = tuple(str(state) for state in Indicator)
    picture = texts.pictures.get("look-at-indicator", "")
    return Indicator(operator.ask(Prompt(question, texts.timeout, states, picture, slot)))
