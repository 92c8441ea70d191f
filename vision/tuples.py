"""The plain tuples that records hold: a point and a colour.

In: nothing. Out: two names for types, free of any other import, so a program's help needs no arrays.
"""

Point = tuple[float, float]
"""x, y; on a photo [px], x to the right and y down, (0, 0) the centre of the top left pixel; on a design [mm]."""
Triple = tuple[float, float, float]
"""Three colour values; red, green, blue [0-1], gamma-encoded sRGB unless the name says otherwise."""
