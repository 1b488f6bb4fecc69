"""Heat and output terminals against their equations, solved independently (SciPy's LSODA, NumPy's solver)."""

from __future__ import annotations

import numpy as np
import pytest
from hilseq_sim.world.heat import COVER, NEIGHBOUR_POWER, NEIGHBOUR_RESISTANCE, NEIGHBOUR_SLOWER, Heat
from hilseq_sim.world.points import Output, OutputBank
from hilseq_sim.world.timeline import Timeline
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

AMBIENT, TAU, LEVEL = 25.0, 600.0, 40.0


@pytest.mark.parametrize("neighbours", [0, 3])
def test_the_case_follows_its_thermal_network(neighbours: int) -> None:
    """Tau dtheta/dt = R P - theta for the unit and for its neighbours (Fourier; Foster's network, no table)."""
    timeline = Timeline()
    heat = Heat(
        timeline, ambient=AMBIENT, resistance=4.0, time_constant=TAU, neighbours=neighbours, cover_closed=True
    )
    passed: list[float] = []
    heat.watch(LEVEL, lambda _: passed.append(timeline.now))
    theta, expected = [0.0, 0.0], []
    #: s, W, cover open, K/W
    for seconds, power, is_open, resistance in [
        (900.0, 2.6, 0, 4.0),
        (1500.0, 6.0, 0, 4.0),
        (2000.0, 6.0, 1, 4.0),
        (1000.0, 0.0, 1, 4.0),
        (3000.0, 3.5, 0, 9.0),
        (50000.0, 0.0, 0, 9.0),
    ]:
        begun = timeline.now
        heat.cover_open, heat.resistance = is_open, resistance
        heat.set_power(power)
        heat.refresh()
        cover = 1.0 if is_open else COVER
        own = cover * resistance * power
        others = cover * NEIGHBOUR_POWER * NEIGHBOUR_RESISTANCE * neighbours * (power > 0.0)

        def slope(_: float, y: np.ndarray, own: float = own, others: float = others) -> list[float]:
            return [(own - y[0]) / TAU, (others - y[1]) / (NEIGHBOUR_SLOWER * TAU)]

        def crossing(_: float, y: np.ndarray) -> float:
            return float(AMBIENT + y[0] + y[1] - LEVEL)

        exact = solve_ivp(
            slope, (0.0, seconds), theta, "LSODA", rtol=1e-10, atol=1e-10, events=crossing, dense_output=True
        )
        expected += [begun + when for when in exact.t_events[0]]
        for _ in range(10):
            timeline.advance(seconds / 10)
            assert heat.case() == pytest.approx(AMBIENT + sum(exact.sol(timeline.now - begun)), abs=1e-6)
        theta = list(exact.y[:, -1])
    assert passed == pytest.approx(expected, abs=1e-3)
    assert len(passed) == 4
    assert heat.case() == pytest.approx(AMBIENT, abs=1e-9)


PARTS = st.fixed_dictionaries(
    {
        "resistance": st.floats(0.05, 5.0),
        "leakage": st.floats(0.0, 2e-3),
        "load": st.floats(20.0, 1e4),
        "on": st.booleans(),
    }
)


@settings(max_examples=40, deadline=None)
@given(
    parts=st.lists(PARTS, min_size=3, max_size=5),
    joined=st.sets(st.sampled_from([(0, 1), (1, 2), (0, 2)]), max_size=3),
    field=st.floats(5.0, 30.0),
)
def test_terminals_obey_kirchhoff(
    parts: list[dict[str, float]], joined: set[tuple[int, int]], field: float
) -> None:
    """Nodal analysis: a switch is R_on to the field, an open one a current, a defect a wire without resistance."""
    timeline = Timeline()
    bank = OutputBank(
        timeline,
        [
            Output(str(n), resistance=p["resistance"], leakage=p["leakage"], load=p["load"], rated=None)
            for n, p in enumerate(parts)
        ],
        rated_voltage=24.0,
        delay=1e-3,
    )
    bank.enabled, bank.field = (lambda: True), (lambda: field)
    for one, other in joined:
        bank.joined[str(one), str(other)] += 1
    bank.refresh()
    for number, part in enumerate(parts):
        bank.command(str(number), bool(part["on"]))
    timeline.advance(0.1)
    bank.look()

    count, wires = len(parts), list(joined)
    matrix, into = np.zeros((count + len(wires), count + len(wires))), np.zeros(count + len(wires))
    for n, part in enumerate(parts):
        matrix[n, n] = 1.0 / part["load"]
        if part["on"]:
            matrix[n, n] += 1.0 / part["resistance"]
            into[n] = field / part["resistance"]
        else:
            into[n] = part["leakage"] * field / 24.0
    for n, (one, other) in enumerate(wires, count):  # its current is one more unknown, its voltage is nothing
        matrix[[one, other], n] = matrix[n, [one, other]] = 1.0, -1.0
    volts = np.linalg.lstsq(matrix, into)[0][:count]  # three wires may form a loop
    seen = [bank.seen[str(n)] for n in range(count)]
    assert seen == pytest.approx(list(np.minimum(volts, field)), rel=1e-7, abs=1e-9)
