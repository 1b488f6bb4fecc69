"""The extensions that are installed or lie beside the sequences, and what their hooks return."""

from __future__ import annotations

import difflib
from collections.abc import Callable, Collection, Iterable
from functools import cached_property
from importlib.metadata import entry_points
from types import ModuleType
from typing import TYPE_CHECKING, Protocol, TypeVar

import pluggy

from hilseq import hooks
from hilseq.errors import UsageError

if TYPE_CHECKING:
    from hilseq.procedures.readiness import ReadinessCheck
    from hilseq.reports.write import ReportFormat


class _Named(Protocol):
    @property
    def name(self) -> str: ...


Added = TypeVar("Added", bound=_Named)
_PREFIX = "hilseq_"


class Extensions:
    """What the extensions of one visit, or of one command, add. Raises UsageError for one that is wrong."""

    def __init__(self) -> None:
        self._manager = _Manager(hooks.GROUP)
        self._manager.add_hookspecs(hooks)
        for point in entry_points(group=hooks.GROUP):
            try:
                module = point.load()
            except Exception as error:
                words = f"extension {point.name!r} ({point.value}) cannot be imported: {type(error).__name__}: {error}"
                raise UsageError(words) from error
            self.add(module, point.name)

    def add(self, module: object, name: str) -> None:
        """Take a module's hooks, if it has any."""
        wanted = (
            [word for word in vars(module) if word.startswith(_PREFIX)]
            if isinstance(module, ModuleType)
            else []
        )
        for word in wanted:
            if not hasattr(self._manager.hook, word):
                near = difflib.get_close_matches(word, _names(), n=1)
                hint = f"; did you mean {near[0]}?" if near else f"; expected one of {', '.join(_names())}"
                raise UsageError(f"extension {name!r}: there is no hook {word}{hint}")
        if not wanted or self._manager.is_registered(module):
            return
        try:
            self._manager.register(module, name)
        except (pluggy.PluginValidationError, ValueError) as error:
            raise UsageError(f"extension {name!r}: {' '.join(str(error).split())}") from error

    @cached_property
    def stages(self) -> tuple[hooks.Stage, ...]:
        """Stages beside those that ship."""
        return self._all(hooks.Stage, hooks.hilseq_stages)

    @cached_property
    def elements(self) -> tuple[hooks.Element, ...]:
        """Elements to parametrize over, beside those that ship."""
        return self._all(hooks.Element, hooks.hilseq_elements)

    @cached_property
    def report_formats(self) -> tuple[ReportFormat, ...]:
        """Further formats of a report."""
        from hilseq.reports.write import ReportFormat

        return self._all(ReportFormat, hooks.hilseq_report_formats)

    @cached_property
    def readiness_checks(self) -> tuple[ReadinessCheck, ...]:
        """What else of the stand is looked at."""
        from hilseq.procedures.readiness import TOPICS, ReadinessCheck

        return self._all(ReadinessCheck, shipped=TOPICS, hook=hooks.hilseq_readiness_checks)

    def _all(
        self, kind: type[Added], hook: Callable[[], Iterable[Added]], shipped: Collection[str] = ()
    ) -> tuple[Added, ...]:
        """Return what every extension returns from a hook, checked: no name twice, and none that is `shipped`."""
        found: dict[str, Added] = {}
        for implementation in getattr(self._manager.hook, hook.__name__).get_hookimpls():
            where = f"extension {implementation.plugin_name!r}: {hook.__name__}"
            try:
                added = list(implementation.function())
            except Exception as error:
                raise UsageError(f"{where} fails: {type(error).__name__}: {error}") from error
            for one in added:
                if not isinstance(one, kind):
                    raise UsageError(f"{where} returns {one!r}; expected a {kind.__name__}")
                if one.name in shipped:
                    raise UsageError(f"{where} adds {one.name!r}, which hilseq has itself; rename it")
                if one.name in found:
                    raise UsageError(f"{where} adds {one.name!r}, which another extension adds; rename one")
                found[one.name] = one
        return tuple(found.values())


class _Manager(pluggy.PluginManager):
    """Takes a function for a hook by its name, as pytest does."""

    def parse_hookimpl_opts(
        self,
        plugin: object,  # noqa: ARG002 - pluggy hands it over
        name: str,
    ) -> pluggy.HookimplOpts | None:
        """Return the options of a hook; None for what is no hook."""
        if not name.startswith(_PREFIX):
            return None
        return pluggy.HookimplOpts(
            wrapper=False, hookwrapper=False, optionalhook=False, tryfirst=False, trylast=False, specname=None
        )


def _names() -> list[str]:
    return sorted(name for name in vars(hooks) if name.startswith(_PREFIX))
