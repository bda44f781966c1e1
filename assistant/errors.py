"""The errors a user can cause, each with the exit code the command line gives it.

One sentence each: what happened, to what, and what to do. ``cli.main`` prints
the sentence and exits with ``exit_code``; a traceback is a defect of ours.

====  ==========================================================
code  meaning
====  ==========================================================
0     done
1     something else went wrong, told in one sentence
2     wrong use of the command line (given by click)
3     an input file cannot be used (protocol, grammar, WAV)
4     a device, model or speech engine is missing
5     the record of a case is damaged, was edited, or is contradicted
6     the record cannot be written (disk full, read-only)
7     another process has this case open
8     the passphrase of the patients' names is wrong or missing
130   interrupted (Ctrl-C); what was recorded is on the disk
====  ==========================================================
"""

INTERRUPTED = 130
"""Exit code after Ctrl-C, as of other programs: 128 and the number of the signal."""


class UserError(Exception):
    """Base of every error whose message is meant for the user."""

    exit_code = 1


class InputFileError(UserError):
    """A protocol, grammar or sound file cannot be used as it is."""

    exit_code = 3


class EquipmentError(UserError):
    """A microphone, loudspeaker, recogniser model or speech engine is missing."""

    exit_code = 4


class DeviceLost(EquipmentError):
    """A sound device that was working has stopped delivering."""


class RecordDamaged(UserError):
    """A record was edited, cut, replaced, or is not what index, audit trail or note know."""

    exit_code = 5


class RecordUnwritable(UserError):
    """The journal or a report could not be written; nothing was half written."""

    exit_code = 6


class CaseBusy(UserError):
    """Another process holds the case; one case has one writer."""

    exit_code = 7


class PassphraseError(UserError):
    """The passphrase of the patients' names is wrong, too short or was not given."""

    exit_code = 8
