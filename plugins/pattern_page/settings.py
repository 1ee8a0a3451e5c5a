"""Settings of the pattern page in `bench.toml`. Naming the driver there is what opens the port; nothing else does."""

from __future__ import annotations

from typing import Annotated

from greystep.schema.model import Model
from pydantic import Field


class PageSettings(Model):
    """Where the page is served and how long its browser may stay silent."""

    address: Annotated[str, Field(pattern=r"^[0-9a-fA-F:.]{2,45}$")] = "127.0.0.1"
    """Address of this machine on the network of the display, such as 192.0.2.10; only there the page is served."""
    port: Annotated[int, Field(ge=0, le=65535)] = 8017
    """TCP port; 0: any free one."""
    token: Annotated[str, Field(pattern=r"^[a-z2-9]{12,64}$")] | None = None
    """Last part of the page's address; None: a new random one each time, which is safer."""
    connect_s: Annotated[float, Field(gt=0, le=86400)] = 300.0
    """How long to wait for somebody to open the page on the display and to touch Start, in s."""
    answer_s: Annotated[float, Field(gt=0, le=60)] = 3.0
    """How long the page may take to show a level, in s."""
    blank_s: Annotated[float, Field(ge=2, le=60)] = 5.0
    """The page shows level 0 by itself when the service doesn't answer for this long, in s."""
    by_hand: tuple[Annotated[str, Field(max_length=64)], ...] = ()
    """Names of settings of the display that the operator sets by hand, such as "overdrive"."""
    rate_tolerance: Annotated[float, Field(gt=0, lt=0.5)] = 0.02
    """How far the refresh rate measured by the page may be off the condition's, as a part of it."""
