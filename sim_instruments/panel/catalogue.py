"""The invented displays of the virtual bench.

A small co-operative tests field viewers for drone pilots; makers and models are made up. Each display stands for a class
of the trade. `CLASS_MEAN_S` is the mean duration over the 20 transitions between `CLASS_LEVELS` under a code band of
8 codes in the starting condition; `base_s` of each cell was derived from it by `panel.calibrate` (run it again after a change).
"""

from __future__ import annotations

from .cell import CellSpeed
from .curve import LightCurve
from .model import PanelSpec, PowerDraw, Strobe
from .thermal import WarmUp

CLASS_LEVELS = (0, 64, 128, 192, 255)
"""Levels of the class durations: 20 transitions."""

CLASS_MEAN_S = {
    "olmara-20": 20.0e-3,
    "vireth-10": 10.0e-3,
    "vireth-10x": 8.4e-3,
    "tessik-5": 1.0e-3,
    "quandle-27": 0.3e-3,
    "brumhal-7": 33.0e-3,
    "nydorf-15": 62.0e-3,
    "pellowane-24": 14.0e-3,
}
"""Mean code-band duration (first entry) of each class, s."""

PANELS: tuple[PanelSpec, ...] = (
    PanelSpec(
        name="olmara-20",
        maker="Tarnwick",
        model="Olmara 20",
        serial="TW20-0417",
        technology="IPS LCD",
        firmware="1.4",
        hardware="B",
        story="older-generation IPS without overdrive",
        curve=LightCurve(white_cd_m2=260.0, black_cd_m2=0.26, gamma=2.2),
        speed=CellSpeed(base_s=0.008083, rise=1.1, fall=0.9, dark=0.5, small=0.4, ratio=0.35, activation_k=3300.0),
        warm_up=WarmUp(rise_k=8.0, time_constant_s=900.0, cold_luminance=0.92),
        power=PowerDraw(idle_w=6.0, per_hz_w=0.01, backlight_w=19.0, emission_w_per_cd_m2=0.0, overdrive_w=0.0),
        refresh_rates_hz=(60.0, 75.0),
        processing_frames=1.0,
        processing_s=2.1e-3,
        luminance_percent=(20.0, 100.0),
        pwm_hz=240.0,
        pwm_depth=0.9,
    ),
    PanelSpec(
        name="vireth-10",
        maker="Ossaby",
        model="Vireth 10",
        serial="OV10-1180",
        technology="IPS LCD",
        firmware="2.0",
        hardware="A",
        story="newer fast IPS, overdrive switched off at first",
        curve=LightCurve(white_cd_m2=350.0, black_cd_m2=0.32, gamma=2.2),
        speed=CellSpeed(base_s=0.003958, rise=1.05, fall=0.95, dark=0.35, small=0.3, ratio=0.35, activation_k=3100.0),
        warm_up=WarmUp(rise_k=7.0, time_constant_s=700.0, cold_luminance=0.94),
        power=PowerDraw(idle_w=4.0, per_hz_w=0.02, backlight_w=12.0, emission_w_per_cd_m2=0.0, overdrive_w=0.15),
        refresh_rates_hz=(60.0, 120.0),
        overdrive={"off": None, "normal": 0.02},
        headroom=0.02,
        processing_s=1.2e-3,
        luminance_percent=(10.0, 100.0),
    ),
    PanelSpec(
        name="vireth-10x",
        maker="Ossaby",
        model="Vireth 10 X",
        serial="OV10X-0032",
        technology="IPS LCD",
        firmware="2.3",
        hardware="A",
        story="overdriven IPS with variable refresh and a strobe",
        curve=LightCurve(white_cd_m2=400.0, black_cd_m2=0.38, gamma=2.2),
        speed=CellSpeed(base_s=0.004631, rise=1.1, fall=0.9, dark=0.4, small=0.3, ratio=0.35, activation_k=3100.0),
        warm_up=WarmUp(rise_k=8.0, time_constant_s=700.0, cold_luminance=0.94),
        power=PowerDraw(idle_w=5.0, per_hz_w=0.02, backlight_w=16.0, emission_w_per_cd_m2=0.0, overdrive_w=0.2),
        refresh_rates_hz=(144.0, 120.0, 60.0),
        overdrive={"normal": 0.02, "off": None, "strong": 0.15},
        headroom=0.02,
        processing_s=0.9e-3,
        luminance_percent=(10.0, 100.0),
        strobe=Strobe(duty=0.12, phase=0.8, gain=1.6),
        vrr=True,
    ),
    PanelSpec(
        name="tessik-5",
        maker="Lumhollow",
        model="Tessik 5",
        serial="LH5-7730",
        technology="OLED",
        firmware="0.9.1",
        hardware="C",
        story="small OLED, dimmed by PWM below full luminance",
        curve=LightCurve(white_cd_m2=480.0, black_cd_m2=0.0005, gamma=2.2),
        speed=CellSpeed(base_s=0.0003422, rise=1.15, fall=0.85, dark=0.4, small=0.2, ratio=0.3),
        warm_up=WarmUp(rise_k=4.0, time_constant_s=400.0, cold_luminance=0.99),
        power=PowerDraw(idle_w=0.8, per_hz_w=0.004, backlight_w=0.0, emission_w_per_cd_m2=2.4e-3, overdrive_w=0.0),
        refresh_rates_hz=(60.0, 90.0),
        processing_s=3.5e-3,
        luminance_percent=(10.0, 100.0),
        pwm_hz=240.0,
        pwm_depth=1.0,
        dip_depth=0.03,
        dip_s=0.25e-3,
    ),
    PanelSpec(
        name="quandle-27",
        maker="Quellmark",
        model="Quandle 27",
        serial="QM27-0006",
        technology="OLED",
        firmware="1.1",
        hardware="A2",
        story="fastest desktop OLED",
        curve=LightCurve(white_cd_m2=250.0, black_cd_m2=0.0002, gamma=2.2),
        speed=CellSpeed(base_s=0.000106, rise=1.05, fall=0.95, dark=0.2, small=0.1, ratio=0.3),
        warm_up=WarmUp(rise_k=6.0, time_constant_s=500.0, cold_luminance=0.99),
        power=PowerDraw(idle_w=14.0, per_hz_w=0.03, backlight_w=0.0, emission_w_per_cd_m2=0.16, overdrive_w=0.0),
        refresh_rates_hz=(60.0, 120.0, 240.0),
        processing_s=0.4e-3,
        luminance_percent=(100.0, 100.0),
        dip_depth=0.02,
        dip_s=0.2e-3,
        vrr=True,
    ),
    PanelSpec(
        name="brumhal-7",
        maker="Brindlefen",
        model="Brumhal 7",
        serial="BF7-2214",
        technology="LCD",
        firmware="3.02",
        hardware="D",
        story="very slow handheld LCD",
        curve=LightCurve(white_cd_m2=210.0, black_cd_m2=0.35, gamma=2.1),
        speed=CellSpeed(base_s=0.01099, rise=1.2, fall=0.8, dark=0.8, small=0.5, ratio=0.4, activation_k=3800.0),
        warm_up=WarmUp(rise_k=4.0, time_constant_s=600.0, cold_luminance=0.95),
        power=PowerDraw(idle_w=1.1, per_hz_w=0.003, backlight_w=2.2, emission_w_per_cd_m2=0.0, overdrive_w=0.0),
        refresh_rates_hz=(60.0, 50.0),
        processing_frames=1.0,
        processing_s=4.0e-3,
        luminance_percent=(30.0, 100.0),
        pwm_hz=1000.0,
        pwm_depth=1.0,
    ),
    PanelSpec(
        name="nydorf-15",
        maker="Netherquist",
        model="Nydorf 15",
        serial="NQ-01-55903",
        technology="TN LCD, fluorescent backlight",
        firmware="unknown",
        hardware="unknown",
        story="LCD of the early 2000s",
        curve=LightCurve(white_cd_m2=190.0, black_cd_m2=0.55, gamma=2.2),
        speed=CellSpeed(base_s=0.02742, rise=1.3, fall=0.7, dark=1.9, small=0.4, ratio=0.4, activation_k=4200.0),
        warm_up=WarmUp(rise_k=12.0, time_constant_s=1500.0, cold_luminance=0.8),
        power=PowerDraw(idle_w=9.0, per_hz_w=0.01, backlight_w=21.0, emission_w_per_cd_m2=0.0, overdrive_w=0.0),
        refresh_rates_hz=(60.0, 75.0),
        processing_s=1.0e-3,
        luminance_percent=(40.0, 100.0),
        pwm_hz=210.0,
        pwm_depth=0.7,
    ),
    PanelSpec(
        name="pellowane-24",
        maker="Varrowby",
        model="Pellowane 24",
        serial="VB24-3318",
        technology="VA LCD",
        firmware="1.0.7",
        hardware="B1",
        story="vertically aligned LCD: deep black, slow out of it, with three overdrive modes",
        curve=LightCurve(white_cd_m2=300.0, black_cd_m2=0.09, gamma=2.2),
        speed=CellSpeed(base_s=0.006984, rise=1.4, fall=0.7, dark=1.6, small=0.3, ratio=0.35, activation_k=3600.0),
        warm_up=WarmUp(rise_k=8.0, time_constant_s=800.0, cold_luminance=0.93),
        power=PowerDraw(idle_w=7.0, per_hz_w=0.02, backlight_w=22.0, emission_w_per_cd_m2=0.0, overdrive_w=0.25),
        refresh_rates_hz=(120.0, 60.0, 165.0),
        overdrive={"normal": 0.03, "off": None, "strong": 0.2},
        headroom=0.02,
        processing_s=1.5e-3,
        luminance_percent=(10.0, 100.0),
        pwm_hz=960.0,
        pwm_depth=0.3,
        vrr=True,
    ),
)
"""All displays, in the order of `--list`."""


def panel(name: str) -> PanelSpec:
    """The display of that short name.

    Raises:
        KeyError: with the known names.
    """
    for spec in PANELS:
        if spec.name == name:
            return spec
    raise KeyError(f"no display {name!r}; known: {', '.join(spec.name for spec in PANELS)}")
