"""One check for each thing that a sequence may ask for, as short as it can be. Each runs on the demo's stand."""

import pytest

from hilseq import Limits, Measured, Mode, NotPerformed, Prompt, Register, new_faults, parse, repeat, require

pytestmark = [pytest.mark.stage("examples"), pytest.mark.place("supply")]


def test_unit(unit, judge):
    """Time from power to ready."""
    unit.supply.on()
    judge("time to ready", unit.wait_until_ready(), Limits(None, unit.profile.start.ready_within))


def test_ready_unit(ready_unit):
    """Mode at the start."""
    assert ready_unit.modes.reported() is Mode.STOPPED


def test_live_unit(live_unit):
    """All outputs on, and only they."""
    names = live_unit.outputs.names
    assert live_unit.outputs.drive(*names) == dict.fromkeys(names, True)


def test_supply(ready_unit, supply, judge):
    """Current when idle."""
    judge("idle current", supply.current(), ready_unit.limits.idle_current)


def test_signals(signals):
    """A drive of the stand, read back where it is looped."""
    signals.write("loop-out", 1)
    assert signals.read("loop-in") == 1


def test_judge(ready_unit, supply, judge):
    """A reading against limits of one's own, in V."""
    judge("supply voltage", supply.voltage(), Limits(23.5, 24.5))


def test_clock(ready_unit, clock, judge, supply):
    """Current after ten minutes; on the twin they take no time."""
    clock.sleep(parse("10 min", "time"))
    judge("current after 10 min", supply.current(), ready_unit.limits.idle_current)


def test_rated_afterwards(rated_afterwards, supply):
    """The unit at the lower end of its supply range; back at rated supply afterwards."""
    supply.move_to(rated_afterwards.profile.ratings.supply_range.low)
    assert rated_afterwards.modes.reported() is Mode.STOPPED


def test_keep_table(ready_unit, supply, clock, judge, keep_table):
    """Current over ten seconds, kept as a curve of the report."""
    rows = []
    for second in range(10):
        clock.sleep(1.0)
        rows.append((second + 1, supply.current().value))
    keep_table("current over time", ["time s", "current A"], rows)
    judge("current after ten seconds", supply.current(), ready_unit.limits.idle_current)


def test_keep_faults(ready_unit, keep_faults):
    """Stored faults, kept and held against those that no healthy unit stores."""
    stored = ready_unit.faults.read()
    keep_faults("as it came", stored)
    assert not new_faults(stored, [])


def test_operator(operator):
    """A question to the person at the stand; not performed where nobody is there."""
    assert operator.ask(Prompt("Is the cover closed?", 60, ("yes", "no"))) == "yes"


def test_readiness(readiness):
    """The loop-backs of the stand, asked with the unit off."""
    require(readiness.loopbacks())


@pytest.mark.parameter("settle", "time", default="500 ms")
def test_parameters(ready_unit, clock, parameters):
    """A time that a profile may give under `parameters`."""
    clock.sleep(parameters.value("settle"))
    assert ready_unit.modes.reported() is Mode.STOPPED


def test_bench(bench):
    """What the stand file says, such as the name of the stand."""
    assert bench.stand.supplies


def test_output_patterns(output_patterns, output_point):
    """An output, alone and among all others, by patterns that are driven once for all of them."""
    output_patterns.assert_follows(output_point)


def test_input_patterns(input_patterns, input_point):
    """An input, alone and among all others."""
    input_patterns.assert_follows(input_point)


def test_loaded_outputs(loaded_outputs, unit, loaded_output, judge):
    """The voltage that an output loses under its load, and its leakage."""
    for name, measured, limits in loaded_outputs[loaded_output].against(unit.limits.output(loaded_output)):
        judge(name, measured, limits)


def test_measure_loads(measure_loads, live_unit, loaded_output, judge):
    """The same anew, by one look, wherever the supply stands now."""
    loaded = measure_loads(looks=1)[loaded_output]
    judge("voltage drop", loaded.drop, live_unit.limits.output(loaded_output).drop)


def test_thresholds(thresholds, threshold_input):
    """The voltage at which an input turns on: at most 15 V at 24 V (IEC 61131-2)."""
    assert thresholds[threshold_input].rising.value < 15.0


def test_analog_sweep(analog_sweep, analog_point, judge):
    """The largest deviation of an analog channel over its range."""
    judge("largest deviation", *analog_sweep[analog_point].deviation())


def test_without_supply(without_supply, judge):
    """What the clock gained while the supply was away for the longest time that the profile names."""
    judge("gained by the clock", *without_supply.gained())


def test_points_together(points_together, ready_unit):
    """Every point at once, in many steps; whoever asks again gets what came of it the first time."""
    ready_unit.fail_at(*points_together().failure())


def test_analog_spots(analog_spots, analog_point, judge):
    """One point of each analog channel, all at once: quicker than the sweep."""
    judge("deviation", *analog_spots[analog_point].deviation())


def test_register(ready_unit):
    """Any register of the unit, whether the profile names it or not: its raw value by scale and offset."""
    volts = ready_unit.link.read(Register(table="input register", address=4, scale=0.001, unit="V"))
    assert 23.0 < volts < 25.0


def test_arithmetic(ready_unit, supply, clock, judge):
    """Values with their uncertainty: they add, subtract and scale, and keep their unit."""
    before = repeat(supply.current, 5)
    clock.sleep(60.0)
    rise = repeat(supply.current, 5) - before
    power = Measured(24.0 * before.value, "W", 24.0 * before.standard_uncertainty)
    judge("rise of the current", rise, Limits(-0.005, 0.005))
    judge("power", power, Limits(1.0, 4.0))


def test_not_performed(unit):
    """What cannot be done here is said, and blames nobody."""
    if unit.profile.battery is not None:
        raise NotPerformed("this example needs a unit without battery")
