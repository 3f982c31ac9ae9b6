"""Lightness of colours, to test that a picture is readable without colour."""

from __future__ import annotations


def relative_luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour "#rrggbb", 0 (black) to 1 (white), as WCAG 2.1 defines it."""
    channels = (int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5))
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
