"""What `hilseq init --slots 8 --outputs 32 --inputs 24` writes: a bench of slots that are alike, and its unit."""

from __future__ import annotations

from string import Template

from hilseq.errors import UsageError

#: Outputs of one supply: what most instruments with several have at most.
_OUTPUTS_OF_A_SUPPLY = 4
#: Letters for the slots; with more of them they are numbered.
_LETTERS = 26
#: Signals that one stand file may hold (`description.ranges`), and those that no slot has.
_MOST_SIGNALS, _FREE_SIGNALS = 4096, 1

_STAND = Template("""\
# A bench of $slots slots that are alike: `$slot_range` stands for all of them. What is to be changed is marked: <==
# TOPICS.md, *Many slots*, has the rules; REFERENCE.md explains every word.
stand: my-bench                                    # <== name in reports and records
description: Bench of $slots slots                 # <== one sentence for people
network: 203.0.113.0/24                            # <== your subnet; these addresses are for documentation (RFC 5737)

supplies:
$supplies
io:
  rack:
    address: 203.0.113.20:502                      # <== HOST:PORT of the Modbus TCP server
    calibration: {certificate: not stated, due: 2099-12-31}      # <== an overdue one stops the run

# The first slot first, then the others at the addresses that follow.
signals:
  cover: {io: rack, table: discrete input, address: $cover}
  $slot_range $q: {io: rack, table: discrete input, address: 0, senses: $first.$q1}
  $slot_range $v: {io: rack, table: input register, address: 0, $volts, senses: $first.$q1, accuracy: $accuracy}
  $slot_range $i: {io: rack, table: coil, address: 0, drives: $first.$i1}
  $slot_range $bi: {io: rack, table: discrete input, address: $behind_outputs}

slots:
  $slot_range:
    supply: p1
    link: {address: "203.0.113.{101..$last_host}:502"}   # <== the units' own addresses
    setup:
      - {item: load board, where: "terminals $q1 to $q_last of slot {slot}"}   # <==

# Each drive is read back at its terminal, so that the stand can tell its own faults from those of a unit.
loopbacks:
  $slot_range at $i1..at $i_last: {drive: $first $i1, sense: $first b$i1}

safety:
  interlocks:
    cover: {signal: cover, safe: 1, meaning: the protective cover is open}
""")

_SUPPLY = Template("""\
  $names:
    resource: TCPIP::203.0.113.$host::5025::SOCKET     # <==
    output: 1                                      # the first; the others count on
    commands: {select: "INST:NSEL {output}"}       # <== what its manual says; leave out for one output
    # compound-messages: true                      # where its manual allows several commands in one line, with ;
    ceilings: {voltage: 30 V, current: 3 A}        # <== never above the unit's absolute maximum
    overvoltage: 31 V                              # <== above the voltage ceiling; leave out if it has none
    accuracy: {voltage: 0.05 % + 10 mV, current: 0.1 % + 2 mA}   # <== from the data sheet
    calibration: {certificate: not stated, due: 2099-12-31}      # <==
    settle: 100 ms                                 # <== from a new setting until its reading holds
""")

_UNIT = Template("""\
# A unit with $outputs outputs and $inputs inputs. REFERENCE.md explains every word.
# <== the type number on the label
part: UNIT-1
# <== one sentence for people
description: Controller with $outputs outputs and $inputs inputs

# <== the data sheet
ratings:
  supply: 24 V
  supply-range: 20.4..28.8 V
  absolute-maximum: 32 V
  current-limit: 2 A

# <== the data sheet; the current from a few units that you trust
start:
  ready-within: 4 s
  idle-current: 40..70 mA

# <== the register map of its manual
link:
  mode: {table: input register, address: 0, values: {stopped: 0, live: 2}}
  mode-command: {table: holding register, address: 0, values: {stopped: 0, live: 2}}
  self-test: {table: input register, address: 1}

# <== what it says of itself
identity:
  device-identification: false

# <== its modes
modes:
  at-start: stopped
  change-within: 500 ms

# <== its terminals
points:
  outputs:
    $q:
      command: {table: coil, address: 0}
      settle: 50 ms
      rated-current: 0.5 A
      voltage-drop: 0.8 V
  inputs:
    $i:
      report: {table: discrete input, address: 0}
      settle: 50 ms
      type: 3
""")


def bench_files(slots: int, outputs: int, inputs: int) -> tuple[str, str]:
    """Return the stand file and the profile. Raises UsageError for more than one stand file holds."""
    signals = slots * 2 * (outputs + inputs) + _FREE_SIGNALS
    if signals > _MOST_SIGNALS:
        raise UsageError(
            f"{slots} slots with {outputs} outputs and {inputs} inputs have {signals} signals; one stand file holds "
            f"at most {_MOST_SIGNALS}: make two stands of them"
        )
    names = _slot_names(slots)
    q, i = _names("q", outputs), _names("i", inputs)
    words = {
        "slots": slots,
        "outputs": outputs,
        "inputs": inputs,
        "slot_range": _range(names),
        "first": names[0],
        "last_host": 100 + slots,
        "cover": slots * (outputs + inputs),
        "behind_outputs": slots * outputs,
        "q": _range(q),
        "v": _range(_names("v", outputs)),
        "i": _range(i),
        "bi": _range(_names("bi", inputs)),
        "q1": q[0],
        "volts": "scale: 0.001, unit: V",
        "accuracy": "0.1 % + 20 mV",
        "q_last": q[-1],
        "i1": i[0],
        "i_last": i[-1],
    }
    supplies = [
        _SUPPLY.substitute(names=_range([f"p{n}" for n in numbers]), host=10 + order)
        for order, numbers in enumerate(_by_supply(slots))
    ]
    return _STAND.substitute(words, supplies="".join(supplies)), _UNIT.substitute(words)


def example_serials(slots: int) -> str:
    """Return how serial numbers are given on such a bench, for its first units."""
    if slots == 1:
        return "TRY-1"
    return ",".join(f"{slot}=TRY-{n}" for n, slot in enumerate(_slot_names(slots)[:2], 1))


def _by_supply(slots: int) -> list[range]:
    """Return the numbers of the slots that each instrument feeds."""
    step = _OUTPUTS_OF_A_SUPPLY
    return [range(first, min(first + step, slots + 1)) for first in range(1, slots + 1, step)]


def _slot_names(count: int) -> list[str]:
    return [chr(ord("A") + n) for n in range(count)] if count <= _LETTERS else _names("S", count)


def _names(word: str, count: int) -> list[str]:
    width = len(str(count))
    return [f"{word}{n:0{width}d}" for n in range(1, count + 1)]


def _range(names: list[str]) -> str:
    return f"{names[0]}..{names[-1]}"
