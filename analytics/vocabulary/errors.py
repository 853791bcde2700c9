"""The exceptions of the project, as one tree.

    PlateledgerError            anything a user can put right; its text is fit to be shown
      RegisterError             the register or the maintenance log is wrong
      IngestError               a source cannot be read as a whole
      EvaluationError           a call into analytics that cannot be answered
      UnitError                 an unknown or unfitting unit

A message reads: *where: what is wrong, the value seen. What to do.*
"""


class PlateledgerError(Exception):
    """Base of all errors whose text may be shown to the user as it is."""


class RegisterError(PlateledgerError):
    """The register or the maintenance log holds something that cannot be right."""


class IngestError(PlateledgerError):
    """A source cannot be read at all; single bad lines are findings, not errors."""


class EvaluationError(PlateledgerError):
    """A question to ``analytics`` that has no answer as put."""


class UnitError(PlateledgerError):
    """An unknown unit, or one of the wrong dimension."""
