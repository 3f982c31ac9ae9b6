"""Lightness of colours, to test that a picture is readable without colour."""

from __future__ import annotations


def luminance_of_channels(*channels: float) -> float:
    """Relative luminance of red, green and blue in sRGB, each 0 to 1, as WCAG 2.1 defines it."""
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def relative_luminance(colour: str) -> float:
    """Relative luminance of a colour "#rrggbb", 0 (black) to 1 (white)."""
    return luminance_of_channels(*(int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)))


def contrast(one: float, other: float) -> float:
    """Contrast ratio of two relative luminances by WCAG 2.1: (lighter + 0.05) / (darker + 0.05)."""
    return (max(one, other) + 0.05) / (min(one, other) + 0.05)
