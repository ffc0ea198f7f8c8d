"""Everything scorer refuses, as one tree: each message says what was wrong, where, and what to do.

::

    ScorerError
    ├── PhotoError       the file cannot be scored as a photo
    ├── CardError        the card definition, or a certificate for it, cannot be used
    ├── ManifestError    the manifest cannot be used
    ├── LimitsError      a limit table cannot be used
    ├── PricesError      a table of prices cannot be used
    ├── PracticesError   a table of practices cannot be used
    ├── LanguageError    a language is not there, or its catalogue cannot be used
    ├── ModelError       a fitted model is missing, foreign or damaged
    ├── ClockError       a time or a time zone cannot be true
    ├── OutputError      results cannot be written
    ├── ResultsError     a results folder cannot be read back
    ├── ChecksError      a list of fruit checked by eye cannot be used
    ├── LabelsError      a file of labels cannot be used, or labels cannot be written so
    ├── AccessError      somebody may not do this, or cannot be let in
    ├── ArrivalError     a file that is handed in cannot be taken
    ├── TableError       a limit or price table cannot be changed so
    ├── RecordsError     the season's records cannot be read or written
    └── ClusterError     a cluster cannot be reached or does not do its work
"""

from __future__ import annotations


class ScorerError(Exception):
    """A refusal that a person can act on; its text is one clear sentence."""


class PhotoError(ScorerError):
    """A file that cannot be scored as a photo."""


class CardError(ScorerError):
    """A card definition or certificate that cannot be used."""


class ManifestError(ScorerError):
    """A manifest that cannot be used."""


class LimitsError(ScorerError):
    """A limit table that cannot be used."""


class PricesError(ScorerError):
    """A table of prices that cannot be used."""


class PracticesError(ScorerError):
    """A table of practices that cannot be used."""


class LanguageError(ScorerError):
    """A language that is not there, or a catalogue that cannot be used."""


class ModelError(ScorerError):
    """A fitted model that is missing, foreign or damaged."""


class OutputError(ScorerError):
    """Results that cannot be written."""


class ResultsError(ScorerError):
    """A results folder that cannot be read back."""


class ChecksError(ScorerError):
    """A list of fruit checked by eye that cannot be used."""


class LabelsError(ScorerError):
    """A file of labels that cannot be used, or labels that cannot be written so."""


class ClockError(ScorerError):
    """A time or a time zone that cannot be true."""


class AccessError(ScorerError):
    """Something that this person may not do, or a way in that is closed."""


class ArrivalError(ScorerError):
    """A file that is handed in and cannot be taken."""


class TableError(ScorerError):
    """A change of a limit or price table that cannot be made."""


class RecordsError(ScorerError):
    """Records of the season that cannot be read or written."""


class ClusterError(ScorerError):
    """A cluster that cannot be reached or does not do its work."""
