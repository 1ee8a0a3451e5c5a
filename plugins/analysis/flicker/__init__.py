"""Temporal light modulation of a held level.

light -> fundamental (`..preparation.ripple`) -> `waveform` over one period -> `extent` (modulation depth, flicker index)
                                              -> `spectrum` lines -> `stroboscopic` visibility, `ieee1789` zone
"""
