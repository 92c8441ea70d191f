"""What the app cannot do, named: each error is a sentence and a hint what to do about it.

In: nothing. Out: `TurnblueError` and its kinds. What a photo cannot give is an error of `vision.errors`; a
doubtful measurement is no error but a flag. Only the command line and the dashboard catch these.
"""

from __future__ import annotations

from app.words import said_list


class TurnblueError(Exception):
    """Something asked of the app cannot be done.

    Parameters
    ----------
    sentence : str
        What is wrong, for a tech to read.
    hint : str
        What to do about it.
    """

    code = "turnblue_error"

    def __init__(self, sentence: str, hint: str = "") -> None:
        super().__init__(sentence, hint)
        self.sentence = sentence
        self.hint = hint

    @property
    def text(self) -> str:
        """Return the sentence and the hint as one text that can be said in another language."""
        return said_list([each for each in (self.sentence, self.hint) if each], joint=" ")

    def __str__(self) -> str:
        """Return the sentence and the hint as one line."""
        return f"{self.sentence} {self.hint}".strip()


class LogUnusable(TurnblueError):
    """The log's folder or file cannot be opened, read or written."""

    code = "log_unusable"


class LogNewer(TurnblueError):
    """The log was written by a newer version of the program."""

    code = "log_newer"


class LogBusy(TurnblueError):
    """Others wrote to the log for so long that this change could not be made."""

    code = "log_busy"


class NotInLog(TurnblueError):
    """The log holds no pool, recovery, visit or photo of that name."""

    code = "not_in_log"


class AlreadyInLog(TurnblueError):
    """The log already holds what was to be added."""

    code = "already_in_log"


class SightingWrong(TurnblueError):
    """What a person says to have seen of the water's depth cannot be so."""


class RecoveryClosed(TurnblueError):
    """The recovery is closed, so nothing can be added to it."""

    code = "recovery_closed"


class PhotoRefused(TurnblueError):
    """The photo is not taken into the log."""

    code = "photo_refused"


class PhotoDamaged(TurnblueError):
    """A stored original is missing or no longer what it was."""

    code = "photo_damaged"


class PictureUnavailable(TurnblueError):
    """The picture asked for cannot be made from this photo."""

    code = "picture_unavailable"


class GraderMissing(TurnblueError):
    """The model file that grades the water is not there."""

    code = "grader_missing"


class CannotMeasure(TurnblueError):
    """No worker program could be started to measure photos."""

    code = "cannot_measure"


class CannotConfirm(TurnblueError):
    """A grade cannot be confirmed so."""

    code = "cannot_confirm"


class CannotTrain(TurnblueError):
    """A grader cannot be fitted, compared or taken into use."""

    code = "cannot_train"


class CannotRestore(TurnblueError):
    """A backup cannot be made a log again."""

    code = "cannot_restore"


class CalibrationRefused(TurnblueError):
    """A print run cannot be measured from what was given."""

    code = "calibration_refused"


class CannotWrite(TurnblueError):
    """A picture or file asked for cannot be written where it was asked for."""

    code = "cannot_write"


class StripRefused(TurnblueError):
    """A kind of strip cannot be taught so."""

    code = "strip_refused"


class IntakeRefused(TurnblueError):
    """Photos cannot be taken in, or tags printed, as asked."""

    code = "intake_refused"


class CompanyRefused(TurnblueError):
    """The company's settings cannot be so."""

    code = "company_refused"


class CannotServe(TurnblueError):
    """The dashboard could not be started."""

    code = "cannot_serve"


class NotSignedIn(TurnblueError):
    """Nobody is signed in, and what was asked needs somebody."""

    code = "not_signed_in"


class NotAllowed(TurnblueError):
    """The person's role may not do what was asked."""

    code = "not_allowed"


class SignInRefused(TurnblueError):
    """Name and password do not fit, or too many did not."""

    code = "sign_in_refused"


class AccountRefused(TurnblueError):
    """The account cannot be made or changed as asked."""

    code = "account_refused"
