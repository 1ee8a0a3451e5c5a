"""The demo's displays and plans. Makers and models are invented; what is printed is what greystep measures of them."""

from __future__ import annotations

from dataclasses import dataclass

COOPERATIVE = "Skylark Meadow Viewer Co-operative"


@dataclass(frozen=True)
class DemoDisplay:
    """One display of the virtual bench, and how it is measured."""

    panel: str
    """Short name on the virtual bench."""
    maker: str
    model: str
    serial: str
    technology: str
    firmware: str
    conditions: tuple[tuple[float, str | None], ...]
    """Refresh rate in Hz and overdrive mode."""
    hold_s: float
    sample_rate_hz: float
    repeats: int = 4

    def plan(self) -> str:
        """The plan as TOML."""
        lines = [
            f'name = "{self.maker} {self.model}, first look"',
            f'operator = "{COOPERATIVE}"',
            "flash_acknowledged = true   # the virtual display flashes for nobody",
            "",
            "[dut]",
            f'maker = "{self.maker}"',
            f'model = "{self.model}"',
            f'serial = "{self.serial}"',
            f'panel = "{self.technology}"',
            f'firmware = "{self.firmware}"',
            "",
        ]
        for rate, overdrive in self.conditions:
            lines += ["[[condition]]", f"refresh_rate_hz = {rate}"]
            lines += [f'overdrive = "{overdrive}"'] if overdrive else []
        lines += [
            "",
            "[levels]",
            "step = [0, 64, 128, 192, 255]",
            "steady = [0, 8, 16, 32, 48, 64, 96, 128, 160, 192, 224, 240, 255]",
            "",
            "[capture]",
            f"repeats = {self.repeats}",
            f"hold_s = {self.hold_s}",
            f"sample_rate_hz = {self.sample_rate_hz}",
            "steady_s = 0.1",
            "",
            "[power]",
            "readings = 4",
            "battery_wh = 19.0",
            "",
        ]
        return "\n".join(lines)


DISPLAYS: tuple[DemoDisplay, ...] = (
    DemoDisplay(
        "vireth-10x", "Ossaby", "Vireth 10 X", "OV10X-0093", "IPS LCD", "2.4.0", ((144.0, "normal"), (144.0, "off")), 0.15, 50e3
    ),
    DemoDisplay("olmara-20", "Tarnwick", "Olmara 20", "TW20-0418", "IPS LCD", "1.07", ((60.0, None), (75.0, None)), 0.2, 40e3),
    DemoDisplay("tessik-5", "Lumhollow", "Tessik 5", "LH5-7730", "OLED", "0.9.1", ((60.0, None), (90.0, None)), 0.1, 100e3),
    DemoDisplay("quandle-27", "Quellmark", "Quandle 27", "QM27-0006", "OLED", "1.1", ((60.0, None), (240.0, None)), 0.1, 100e3),
    DemoDisplay("brumhal-7", "Brindlefen", "Brumhal 7", "BF7-2214", "LCD", "3.02", ((60.0, None), (50.0, None)), 0.35, 20e3),
)
"""Measured one after another, each mounted on the virtual bench in its turn."""
