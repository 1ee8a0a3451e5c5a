"""A dialect: the words of an instrument, one TOML file. Every role that the file describes is a table of its own."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from greystep.schema.model import Model
from pydantic import Field, model_validator

from .digitiser_words import DigitiserWords
from .meter_words import MeterWords
from .pattern_words import PatternWords
from .session_words import SessionWords


class Dialect(Model):
    """The whole file."""

    dialect: Literal[1]
    """Version of this format."""
    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")]
    """Name that `bench.toml` uses."""
    summary: str = ""
    """One line for people."""
    session: SessionWords = SessionWords()
    """Words of all roles."""
    digitiser: DigitiserWords | None = None
    """Words of a digitiser."""
    pattern: PatternWords | None = None
    """Words of a pattern source."""
    luminance: MeterWords | None = None
    """Words of a luminance meter."""
    power: MeterWords | None = None
    """Words of a power meter."""
    temperature: MeterWords | None = None
    """Words of a thermometer."""

    @model_validator(mode="after")
    def _something(self) -> Dialect:
        if not self.roles():
            raise ValueError("the dialect describes no role: give a table such as [digitiser] or [luminance]")
        return self

    def roles(self) -> tuple[str, ...]:
        """Roles that it describes."""
        names = ("digitiser", "pattern", "luminance", "power", "temperature")
        return tuple(name for name in names if getattr(self, name) is not None)

    def words(self, role: str) -> Any:
        """Words of a role, or None."""
        return getattr(self, role)
