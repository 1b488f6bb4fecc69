"""A small supply that misbehaves on purpose, as the tests of the supply's driver need it."""

from __future__ import annotations


class Bench:
    """A small supply behind a real socket; each fault of it is switched on by a test."""

    def __init__(self) -> None:
        self.settings = {"VOLT": 12.0, "CURR": 9.0, "VOLT:PROT": 99.0}
        self.on = True
        self.load = 0.25
        self.errors: list[str] = []
        self.heard: list[str] = []
        self.endless_errors = False
        self.stuck_on = False
        self.dead = False
        self.answers: dict[str, str] = {"*IDN?": "ACME,PS-1,4711,1.02"}
        #: Answers that are given to a question before any other: what it says lags what it was told.
        self.before: dict[str, list[str]] = {}
        self.ignored: set[str] = set()
        #: Questions it does not answer, and whether it says so in its error queue.
        self.mute: set[str] = set()
        self.refuses = True

    def __call__(self, line: str) -> str | None:
        self.heard.append(line)
        if self.dead:
            return None
        if line in self.mute:
            self.errors += ['-113,"Undefined header"'] if self.refuses else []
            return None
        if self.before.get(line):
            return self.before[line].pop(0)
        if line in self.answers:
            return self.answers[line]
        if line.endswith("?"):
            return self._question(line[:-1])
        self._command(line)
        return None

    def _question(self, header: str) -> str | None:
        if header == "SYST:ERR":
            if self.endless_errors:
                return '-350,"Queue overflow"'
            return self.errors.pop(0) if self.errors else '+0,"No error"'
        volts = self.settings["VOLT"] if self.on else 0.0
        if header == "OUTP":
            return str(int(self.on))
        if header == "MEAS:VOLT":
            return f"{volts + 0.001:.4E}"
        if header == "MEAS:CURR":
            return f"{self.load if self.on else 0.0:.4E}"
        return f"{self.settings[header]:.3f}" if header in self.settings else None

    def _command(self, line: str) -> None:
        header, _, value = line.partition(" ")
        if header in self.ignored:
            return
        if line == "*CLS":
            self.errors.clear()
        elif header == "OUTP":
            self.on = value == "ON" or self.stuck_on
        elif header in self.settings:
            if float(value) > 60:
                self.errors.append('-222,"Data out of range"')
            else:
                self.settings[header] = float(value)
        else:
            self.errors.append('-113,"Undefined header"')

    def commands(self) -> list[str]:
        """Return what was heard, without the questions."""
        return [line for line in self.heard if "?" not in line]
