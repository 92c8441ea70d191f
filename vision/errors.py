"""What cannot be measured, named: each error is a sentence and a hint what to do about it.

In: nothing. Out: `VisionError` and its kinds. A doubtful measurement is no error but a flag (`flags.py`).
"""

from __future__ import annotations


class VisionError(Exception):
    """A photo or a design file cannot be used.

    Parameters
    ----------
    sentence : str
        What is wrong, for a tech to read.
    hint : str
        What to do about it.
    code : str, optional
        Name of the flag that stands for it; by default the class's own.
    """

    code = "vision_error"

    def __init__(self, sentence: str, hint: str = "", *, code: str | None = None) -> None:
        super().__init__(sentence, hint)
        self.sentence = sentence
        self.hint = hint
        self.code = code or type(self).code

    def __str__(self) -> str:
        """Return the sentence and the hint as one line."""
        return f"{self.sentence} {self.hint}".strip()


class PhotoUnreadable(VisionError):
    """The file is no photo that can be read."""

    code = "photo_unreadable"


class NoCardFound(VisionError):
    """No reference card is in the photo, or not enough of one."""

    code = "no_card"


class NoWaterSeen(VisionError):
    """The photo shows a card but no water that could be graded."""

    code = "no_water"


class NoStripSeen(VisionError):
    """The photo shows no strip or colour key that could be taught from."""

    code = "strip_not_found"


class DesignInvalid(VisionError):
    """A card, strip, disc or model file is not what its format says."""

    code = "design_invalid"


class CalibrationInvalid(VisionError):
    """A calibration file or photo does not give a card's printed colours."""

    code = "calibration_invalid"
