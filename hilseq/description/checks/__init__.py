"""The cross-checks of the descriptions: one topic per file, each a pure function to findings.

Knows the models; knows no file, no line and no instrument.
"""

from __future__ import annotations

from functools import partial

from hilseq.description.checks import (
    modbus,
    network,
    profile_registers,
    profile_values,
    references,
    registers,
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
        references.terminals_have_one_drive,
        references.rests_fit_their_signal,
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
        modbus.values_come_in_one_piece,
        modbus.fault_records_come_in_one_piece,
        profile_values.values_are_distinct,
        profile_values.modes_are_reported,
        profile_values.modes_can_be_reached,
        profile_values.contacts_are_distinct,
        profile_values.fault_offsets_are_distinct,
        profile_values.fault_codes_can_be_stored,
        profile_values.fault_places_exist,
        profile_values.terminals_have_one_meaning,
        profile_values.currents_lie_below_the_limit,
        profile_values.times_are_ordered,
        profile_values.battery_limits_are_ordered,
        profile_values.twin_starts_above_where_it_stops,
        profile_values.modules_are_known,
        profile_values.soak_current_can_flow,
        profile_values.pattern_steps_are_seen,
        profile_values.soak_traffic_has_ports,
        profile_values.starts_can_be_made,
    )
    of_registers = (registers.overlaps, registers.blocks_end_inside, registers.units_are_known)
    return collect(
        *(partial(check, profile) for check in checks),
        *(lambda check=check: check(profile_registers.profile_uses(profile)) for check in of_registers),
        lambda: () if profile.link.high_addresses else _zero_based(profile),
    )


def _zero_based(profile: Profile) -> list[Finding]:
    return list(registers.addresses_are_zero_based(profile_registers.profile_uses(profile)))
