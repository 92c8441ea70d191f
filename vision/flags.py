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
    Flag(
        37,
        "card_faded",
        "Card faded",
        "This card has faded: print a new one, and measure it if you can (turnblue card calibrate).",
        False,
    ),
    Flag(
        20,
        "white_ground",
        "No card: white ground as white",
        "No card was found, so the white ground served as white: lay the strip in the card's slot for narrower ranges.",
        False,
    ),
    Flag(
        21,
        "strip_not_found",
        "No strip seen",
        "No strip's pads were seen: lay the strip in the card's slot, pads up, nothing over them, and retake.",
        True,
    ),
    Flag(
        22,
        "strip_half",
        "Half a strip",
        "Half of the strip's pads are not there: it is torn, covered or cut off by the picture. Use a whole strip"
        " and retake.",
        True,
    ),
    Flag(
        23,
        "strip_other_kind",
        "Not this kind of strip",
        "The strip's colours are not on the key chosen: another kind of strip, read at the wrong time, or "
        "contaminated. Choose the right kind, or dip a fresh strip.",
        True,
    ),
    Flag(
        24,
        "strip_dry",
        "Strip is dry",
        "The strip's pads show no change, as before dipping: dip it, wait its time, and retake.",
        True,
    ),
    Flag(
        25,
        "strip_late",
        "Strip read too late",
        "The strip was photographed after its read time: dip a fresh one and photograph it in time.",
        True,
    ),
    Flag(
        26,
        "strip_early",
        "Strip read too early",
        "The strip was photographed before its read time: wait, and photograph it again.",
        False,
    ),
    Flag(
        27,
        "strip_expired",
        "Strips expired",
        "These strips are past their expiry date: their colours may have drifted. Use a fresh lot, and teach its key.",
        False,
    ),
    Flag(
        28,
        "pad_missing",
        "Pad missing",
        "A pad is missing, washed out or in glare, so it was not read.",
        False,
    ),
    Flag(
        29,
        "off_key",
        "Colour not on the key",
        "This colour is not on this strip's key: wrong strip, wrong time, or contaminated.",
        True,
    ),
    Flag(
        30,
        "below_first_swatch",
        "Below the key",
        "The colour lies below the first swatch of the key: the value is that or less.",
        False,
    ),
    Flag(
        31,
        "above_last_swatch",
        "Above the key",
        "The colour lies above the last swatch of the key: the value is that or more. Dilute the sample 1:10 with"
        " chlorine-free water and test again.",
        False,
    ),
    Flag(
        32,
        "chlorine_bleached",
        "Chlorine pad maybe bleached",
        "A large dose went in within a day, and very high chlorine bleaches a chlorine pad so that it reads zero:"
        " dilute the sample 1:10 with chlorine-free water and test again.",
        True,
    ),
    Flag(
        33,
        "chlorine_spoils_ph",
        "pH false under high chlorine",
        "Phenol red turns purple under high chlorine, so that this pH reads false: test it when free chlorine is "
        "under 10 mg/L.",
        True,
    ),
    Flag(
        34,
        "total_below_free",
        "Total below free chlorine",
        "Total chlorine cannot be below free chlorine: one of the two is wrong. Test both again with a fresh strip.",
        True,
    ),
    Flag(
        35,
        "disc_not_found",
        "Disc not found",
        "The sighting disc was not found at the depth given: raise it until its ring is plainly seen, pole on the far "
        "side, go close and retake. If you cannot see it yourself any more, say that it is lost from sight.",
        False,
    ),
    Flag(
        36,
        "disc_undecided",
        "Disc leaves it open",
        "What is left of the disc's contrast leaves the depth open: lower it until its ring is only just told apart, "
        "raise it by a third and retake; or lower it until you lose it from sight, and say so.",
        False,
    ),
    Flag(
        38,
        "fogged",
        "Lens fogged",
        "The picture is veiled: wipe the lens dry, wait until it no longer fogs, and retake.",
        True,
    ),
    Flag(
        39,
        "covered",
        "Lens covered",
        "A finger or hand covers part of the picture: hold the phone by its edges, and retake.",
        True,
    ),
    Flag(
        40,
        "clarity_weak",
        "Clarity uncertain",
        "The clarity may be two classes off: photograph the sighting disc, or say what of the floor you saw.",
        False,
    ),
    Flag(
        41,
        "severity_weak",
        "Severity uncertain",
        "The severity may be two classes off: take a second photo from another side, nearer and more steeply down.",
        False,
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
