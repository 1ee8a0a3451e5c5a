"""The pattern role when nothing can drive the display: every order is refused with the way to go."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any

from greystep.schema.errors import RefusedError
from greystep.schema.model import Model
from greystep.schema.roles import DialogueSink
from pydantic import Field

_ROLE = "pattern"


class ManualSettings(Model):
    """What the person works with."""

    device: Annotated[str, Field(max_length=200)] = ""
    """What shows the levels, such as "picture viewer of the device"; kept with every capture."""
    bits: Annotated[int, Field(ge=6, le=16)] = 8
    """Bits of a level."""


class ManualPattern:
    """Knows what it can't do. The attended capture asks the person instead."""

    sync_output = False

    def __init__(self, settings: ManualSettings, dialogue: DialogueSink) -> None:
        self._settings = settings
        self._say = dialogue
        self._applied: dict[str, Any] = {}

    @classmethod
    def open(cls, settings: ManualSettings, dialogue: DialogueSink) -> ManualPattern:
        """Nothing to connect to."""
        return cls(settings, dialogue)

    def identify(self) -> str:
        """In words."""
        return "levels changed by hand" + (f"; {self._settings.device}" if self._settings.device else "")

    def settings(self) -> dict[str, Any]:
        """The condition as the person was asked to set it."""
        return {"sync_output": False, "by_hand": dict(self._applied)}

    def recover(self) -> None:
        """Nothing to recover."""

    def close(self) -> None:
        """Nothing to release."""

    def bits(self) -> int:
        """Bits of a level."""
        return self._settings.bits

    def delay_s(self) -> float:
        """Not known."""
        return 0.0

    def allowed(self) -> Mapping[str, Sequence[str] | tuple[float, float]]:
        """Not known: whatever the device's own menu offers."""
        return {}

    def apply(self, settings: Mapping[str, Any]) -> None:
        """Note the condition; the person sets it."""
        self._applied = dict(settings)
        self._say(_ROLE, ">", f"by hand: {self._applied}")

    def level(self, code: int) -> None:
        """Refused."""
        raise self._refusal(f"level {code}")

    def play(self, levels: Sequence[int], dwell_s: float) -> None:
        """Refused."""
        raise self._refusal(f"a list of {len(levels)} levels")

    def wait(self, deadline_s: float) -> bool:
        """There is never a list that plays."""
        return True

    def keep_alive(self, timeout_s: float) -> None:
        """Nothing can go dark by itself."""

    def safe(self) -> None:
        """Nothing can be driven; the attended capture asks the person for level 0 at its end."""
        self._say(_ROLE, ">", "please show level 0")

    def _refusal(self, what: str) -> RefusedError:
        return RefusedError(
            f"{what} can only be shown by hand on this bench",
            role=_ROLE,
            todo="take the plan with 'greystep capture PLAN.toml'",
        )
