"""How a part of the plugin interface is given up: the old name works for one minor release, and says what to do.

A hook, or a member of a role, that gets another name is entered here with the release in which the old one goes. Nothing else
has to know: the plugin host takes the old hook for the new one, and an instrument with the old member is given the new one.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


class GreystepDeprecationWarning(DeprecationWarning):
    """A plugin uses a name that goes with a later release."""


@dataclass(frozen=True)
class Renamed:
    """The new name of something."""

    new: str
    gone_in: str
    """The release that does not know the old name any more, such as `0.4`."""

    def words(self, old: str, who: str) -> str:
        """What the plugin's author has to do."""
        return f"{who}: {old} is now {self.new}; the old name works until greystep {self.gone_in}"


HOOKS: Final[dict[str, Renamed]] = {}
"""Old hook -> new."""
MEMBERS: Final[dict[str, Mapping[str, Renamed]]] = {}
"""Role -> old member -> new."""


def warn(old: str, renamed: Renamed, who: str) -> str:
    """Issue the warning; returns its words."""
    words = renamed.words(old, who)
    warnings.warn(words, GreystepDeprecationWarning, stacklevel=3)
    return words
