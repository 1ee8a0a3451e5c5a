"""Old names of the plugin interface, carried over for one minor release."""

from __future__ import annotations

from types import ModuleType
from typing import Any

from greystep.schema import deprecation, hooks


def old_hooks() -> ModuleType | None:
    """Specifications of the hooks that have new names, so that a plugin with the old ones is not taken for misspelt."""
    if not deprecation.HOOKS:
        return None
    module = ModuleType("old_hooks")
    for name in deprecation.HOOKS:

        def specification() -> Any:
            """Has another name now."""

        specification.__name__ = name
        setattr(module, name, hooks.hookspec(specification))
    return module


def function_of(module: Any, hook: str) -> Any:
    """A plugin's function for a hook, under its name or an old one; None when it has none."""
    for name in (hook, *(old for old, renamed in deprecation.HOOKS.items() if renamed.new == hook)):
        function = getattr(module, name, None)
        if function is not None:
            return function
    return None


def with_new_members(instrument: Any, role: str, who: str) -> Any:
    """The instrument itself, or one that also answers to the new names of its old members.

    Args:
        instrument: as the driver opened it.
        role: whose members it has.
        who: the driver, for the warning.
    """
    missing = {}
    for old, renamed in deprecation.MEMBERS.get(role, {}).items():
        if not hasattr(instrument, renamed.new) and hasattr(instrument, old):
            deprecation.warn(f"{role}.{old}", renamed, who)
            missing[renamed.new] = old
    return _Answering(instrument, missing) if missing else instrument


class _Answering:
    """Passes everything on, new names under their old ones."""

    def __init__(self, instrument: Any, names: dict[str, str]) -> None:
        self._instrument, self._names = instrument, names

    def __getattr__(self, name: str) -> Any:
        return getattr(self._instrument, self._names.get(name, name))
