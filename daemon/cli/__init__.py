"""The command `greystep`: one file a family of commands, each loaded when it is asked for.

`root` holds the list of commands, `ending` how they end, `shown` how tables are printed, `choosing` which runs and displays.
"""

from .root import main

__all__ = ["main"]
