"""From a capture to light: scaling, state levels, the code-to-light curve, and the removal of backlight ripple."""
