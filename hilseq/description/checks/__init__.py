"""The cross-checks of the descriptions: one topic per file, each a pure function to findings.

Knows the models; knows no file, no line and no instrument.
"""

from __future__ import annotations

from functools import partial

from hilseq.description.checks import (
    limits,
    memory,
    modbus_limits,
    modes,
    network,
    plans,
    profile_registers,
    references,
    registers,
    terminals,
    wiring,
)
from hilseq.description.checks.finding import Finding, collect
from hilseq.description.drivers import findings_of_drivers
from hilseq.description.profile import Profile
from hilseq.description.stand import Stand


def stand_findings(stand: Stand) -> list[Finding]:
    """Return everything wrong inside a stand file."""
    checks = (
        references.signals_name_their_io,
        references.terminals_name_a_slot,
        references.slots_name_their_supply,
        references.loopbacks_join_two_signals,
        references.interlocks_watch_a_signal,
        references.ambient_is_a_temperature,
        wiring.terminals_have_one_drive,
        wiring.rests_fit_their_signal,
        registers.signal_units_are_known,
        registers.signal_accuracies_fit,
        network.network_is_a_subnet,
        network.addresses_are_unique,
        network.addresses_lie_in_the_network,
        network.ports_are_spelt_right,
        findings_of_drivers,
    )
    return collect(*(partial(check, stand) for check in checks))


def profile_findings(profile: Profile) -> list[Finding]:
    """Return everything wrong inside a profile."""
    checks = (
        profile_registers.what_is_written_can_be_written,
        profile_registers.blocks_are_words,
        profile_registers.link_units_fit,
        profile_registers.analog_points_fit,
        modbus_limits.values_come_in_one_piece,
        modbus_limits.fault_records_come_in_one_piece,
        modes.values_are_distinct,
        modes.modes_are_reported,
        modes.modes_can_be_reached,
        modes.contacts_are_distinct,
        memory.fault_offsets_are_distinct,
        memory.fault_codes_can_be_stored,
        memory.fault_places_exist,
        terminals.terminals_have_one_meaning,
        limits.currents_lie_below_the_limit,
        limits.times_are_ordered,
        limits.battery_limits_are_ordered,
        limits.twin_starts_above_where_it_stops,
        limits.modules_are_known,
        plans.soak_current_can_flow,
        plans.pattern_steps_are_seen,
        plans.soak_traffic_has_ports,
        plans.starts_can_be_made,
    )
    of_registers = (registers.overlaps, registers.blocks_end_inside, registers.units_are_known)
    return collect(
        *(partial(check, profile) for check in checks),
        *(lambda check=check: check(profile_registers.profile_uses(profile)) for check in of_registers),
        lambda: () if profile.link.high_addresses else _zero_based(profile),
    )


def _zero_based(profile: Profile) -> list[Finding]:
    return list(registers.addresses_are_zero_based(profile_registers.profile_uses(profile)))
