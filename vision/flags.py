"""The one registry of doubts: bit, name, short text, long text.

In: nothing. Out: `FLAGS` and helpers. A flag is stored with the measurement, shown and reported. A flag that
`spoils` makes the measurement unusable: it leads to "measure again", never to a dose.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True)
class Flag:
    """One doubt: `bit` never changes once released, `say` tells the tech how to retake."""

    bit: int
    name: str
    short: str
    say: str
    spoils: bool


FLAGS: tuple[Flag, ...] = (
    Flag(
        0,
        "no_card",
        "No card",
        "No reference card was found: lay the card flat beside the water, all four corner marks in the picture, "
        "and retake.",
        True,
    ),
    Flag(
        1,
        "card_cut_off",
        "Card cut off",
        "Part of the card is outside the picture or covered: step back until the whole card is seen, and retake.",
        True,
    ),
    Flag(
        2,
        "card_too_small",
        "Card too small",
        "The card is too small in the picture to read its colours: go closer, until it fills at least a tenth of "
        "the width, and retake.",
        True,
    ),
    Flag(
        3,
        "blurred",
        "Blurred",
        "The picture is blurred: wipe the lens, hold still, tap on the card to focus, and retake.",
        True,
    ),
    Flag(
        4,
        "card_glare",
        "Card in glare",
        "Patches of the card are in glare: tilt it away from the sun and retake.",
        False,
    ),
    Flag(
        5,
        "card_uneven_light",
        "Uneven light on the card",
        "The light on the card is uneven (a shadow edge lies on it): hold it wholly in sun or wholly in shade and "
        "retake.",
        False,
    ),
    Flag(
        6,
        "under_exposed",
        "Too dark",
        "The picture is too dark: tap on the card so that the phone brightens it, or come back in daylight, and "
        "retake.",
        True,
    ),
    Flag(
        7,
        "over_exposed",
        "Too bright",
        "The picture is too bright: tap on the card's white so that the phone darkens it, and retake.",
        True,
    ),
    Flag(
        8,
        "poor_colour_fit",
        "Poor colour fit",
        "The card's colours do not fit its design: it may be dirty, faded or in mixed light. Wipe it dry, or use a "
        "fresh card, and retake.",
        True,
    ),
    Flag(
        9,
        "card_not_calibrated",
        "Card not calibrated",
        "This print of the card was never measured, so every range is wider than it need be.",
        False,
    ),
    Flag(
        10,
        "no_water",
        "No water seen",
        "No water was seen in the picture: retake it so that the pool fills most of the picture, or draw the water.",
        True,
    ),
    Flag(
        11,
        "water_region_small",
        "Little water seen",
        "Little water is seen free of glare and reflections: point the phone down into the water and retake.",
        False,
    ),
    Flag(
        12,
        "out_of_range",
        "Unlike known photos",
        "This picture is unlike any that the grader was made with: it may be wrong here. Retake it with the card at "
        "the pool's edge and the water filling most of the picture.",
        True,
    ),
    Flag(
        13,
        "undecided",
        "Cannot be told",
        "The picture leaves the grade open: retake it from the pool's edge, looking down into the deep end.",
        True,
    ),
    Flag(
        14,
        "other_light",
        "Card and water in other light",
        "The card is in other light than the water: lay it at the water's edge, both in sun or both in shade, and "
        "retake.",
        True,
    ),
    Flag(
        15,
        "card_in_doubt",
        "Card in doubt",
        "Corner marks were found but not the card's colours between them: use the printed card, unfolded and "
        "uncovered, and retake.",
        True,
    ),
    Flag(
        16,
        "broken_profile",
        "Colour profile unreadable",
        "The picture's colour profile could not be read, so it was taken as sRGB and every range is wider.",
        False,
    ),
    Flag(
        17,
        "photo_unreadable",
        "Not a readable photo",
        "This file is not a photo that can be read: send a JPEG, PNG, WebP or HEIC picture straight from the phone.",
        True,
    ),
    Flag(
        18,
        "card_blinded",
        "Card lost in glare",
        "Most of the card is in glare or covered: turn it until its colours show, and retake.",
        True,
    ),
    Flag(
        19,
        "set_aside",
        "Photo set aside",
        "Reading this photo brings the measuring program down. It is kept, and tried again by the next version: retake "
        "it.",
        True,
    ),
)
"""Bits are the project's own and never reused; wording is ours."""

BY_NAME = {flag.name: flag for flag in FLAGS}
"""Every flag by its name."""


def spoils(names: Iterable[str]) -> bool:
    """Return whether any of the flags called `names` makes the measurement unusable.

    Raises
    ------
    KeyError
        If no flag has one of the names.
    """
    return any(BY_NAME[name].spoils for name in names)
