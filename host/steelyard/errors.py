"""Every error that Steelyard raises on purpose, in one tree.

::

    SteelyardError
    ├── DeviceError                   the box, or the way to it
    │   ├── PortNameError             the text given as a port means nothing
    │   ├── PortBusyError             another program holds the port
    │   ├── PortAccessError           the system does not let this user open the port
    │   ├── DeviceNotFoundError       nothing there, or no box answers there
    │   ├── DeviceDisconnectedError   the link went away while in use
    │   │   └── DeviceStreamEndedError  a played recording is at its end: nothing more comes
    │   ├── DeviceTimeoutError        the box did not answer in time
    │   ├── DeviceRejectedError       the box answered: no
    │   ├── DeviceDocumentError       a text cannot be put into the box, or not be had whole
    │   ├── WrongDeviceError          another box than the one asked for
    │   └── InstallError              the firmware could not be put on a board
    ├── ProtocolError                 both ends speak, but not the same language
    │   ├── ProtocolVersionError      major versions or layouts differ
    │   └── ProtocolMessageError      a message whose content cannot be meant
    ├── TimeSyncError                 device time cannot be put on the host's clock
    ├── CalibrationError              counts and newtons
    │   ├── UnstableReadingError      the reading moved while it had to stand still
    │   ├── SaturatedReadingError     the converter was at the end of its range
    │   ├── SpanTooSmallError         the weights hardly moved the reading
    │   ├── PoorFitError              the points do not lie on the curve
    │   ├── WrongBoxError             made for another box, channel or sensor
    │   ├── CalibrationFileError      the stored calibration is damaged or was edited
    │   └── ReadingsFileError         a list of readings cannot be understood
    ├── RecordingError                files of recorded sessions
    │   ├── RecordingTruncatedError   the file ends before what is needed
    │   ├── RecordingFormatError      not a recording, or of a version not known here
    │   ├── RecordingStorageError     the disk or the folder refused
    │   └── ExportError               a recording cannot be written in another format
    ├── AnalysisError                 a session cannot be analysed
    │   ├── ProfileError              a machine profile cannot be understood
    │   ├── SheetError                a session sheet cannot be understood
    │   └── WrongMachineError         the recording is of another machine
    ├── ReportError                   a report cannot be made, written or proved
    │   └── ResultFileError           no session result, or of a version not known here
    ├── StoreError                    records of clients and visits
    │   ├── PlaceError                the folder or the server cannot be used or reached
    │   ├── StoreDiskError            the disk is full, read-only or failing; or the file is in use
    │   ├── StoreVersionError         made by a newer version, or by another program
    │   ├── StoreDamagedError         the database or its audit trail is not whole
    │   ├── EntryError                what was given cannot be entered
    │   │   └── ClientCodeError       it is no client code
    │   ├── NotKeptError              there is no such client, visit or service
    │   ├── AlreadyKeptError          there is one already
    │   ├── ChangedMeanwhileError     somebody else changed it since it was read
    │   └── ConsentError              no consent in force for a maximal test
    ├── ActionRefusedError            asked for what cannot be done now, or must not be
    ├── VisitStateError               a kept visit cannot be understood
    ├── PublishError                  the stream cannot be offered to other programs
    │   ├── AddressError              an address to serve on cannot be used
    │   └── ControlError              a request to the broker cannot be carried out, or not now
    ├── CatalogueError                the catalogue cannot be opened, written or asked
    ├── ScreenError                   the screens cannot be served
    │   ├── ServingError              the address cannot be served
    │   └── PairingError              a pairing code was refused
    │       └── PairingDelayError     too many wrong codes: nobody may try for a while
    ├── WiringError                   readings of wires, or demands on a sensor, make no sense
    ├── MissingExtraError             a feature needs a library that is not installed
    └── SimulatorError                the virtual box
        └── SimulatorOptionError      an option of the virtual box means nothing

Each one says three things: what happened, the numbers, and what to do next.
Errors of the operating system and of libraries never leave the module that
met them: they are raised again as one of these, the first one as the cause.

A corrupt frame in a live stream is none of these: it is counted and reported
as an event, because the measurement goes on.
"""

from __future__ import annotations


class SteelyardError(Exception):
    """Base of every error that Steelyard raises on purpose.

    ``what`` states what happened, with its numbers, as a sentence; ``advice``
    says what to do next.  ``str()`` gives both.
    """

    def __init__(self, what: str, advice: str = "") -> None:
        super().__init__(what, advice)
        self.what = what
        self.advice = advice

    def __str__(self) -> str:
        return f"{self.what} {self.advice}" if self.advice else self.what


class DeviceError(SteelyardError):
    """The box, or the way to it, is at fault."""


class PortNameError(DeviceError):
    """The text given as a port does not name one."""


class PortBusyError(DeviceError):
    """Another program holds the port."""


class PortAccessError(DeviceError):
    """The operating system does not let this user open the port."""


class DeviceNotFoundError(DeviceError):
    """There is no such port, or no box answers on it."""


class DeviceDisconnectedError(DeviceError):
    """The link to the box went away while it was in use."""


class DeviceStreamEndedError(DeviceDisconnectedError):
    """The port has nothing more to give, ever: a played recording is at its end."""


class DeviceTimeoutError(DeviceError):
    """The box did not answer in time."""


class DeviceRejectedError(DeviceError):
    """The box answered a request with a refusal.

    ``outcome`` is the number the box gave (``records.Outcome``), ``detail`` the
    value it complained about.
    """

    def __init__(self, what: str, advice: str = "", *, outcome: int = 0, detail: int = 0) -> None:
        super().__init__(what, advice)
        self.outcome = outcome
        self.detail = detail


class DeviceDocumentError(DeviceError):
    """A text does not fit into the box, or does not come out of it as it went in."""


class WrongDeviceError(DeviceError):
    """A box answers, but not the one asked for."""


class InstallError(DeviceError):
    """The firmware could not be put on a board, or its files are not whole."""


class ProtocolError(SteelyardError):
    """Both ends speak, but not the same language."""


class ProtocolVersionError(ProtocolError):
    """Protocol versions, or layouts of one version, do not match."""


class ProtocolMessageError(ProtocolError):
    """A message arrived whole, but what it says cannot be meant."""


class TimeSyncError(SteelyardError):
    """Device time cannot be put on the host's clock."""


class CalibrationError(SteelyardError):
    """Counts cannot be turned into newtons, or not honestly."""


class UnstableReadingError(CalibrationError):
    """The reading moved while it had to stand still."""


class SaturatedReadingError(CalibrationError):
    """The converter was at the end of its range."""


class SpanTooSmallError(CalibrationError):
    """The weights hardly moved the reading."""


class PoorFitError(CalibrationError):
    """The calibration points do not lie on the curve."""


class WrongBoxError(CalibrationError):
    """The calibration was made for another box, channel or sensor."""


class CalibrationFileError(CalibrationError):
    """A stored calibration is damaged, edited or of a version not known here."""


class ReadingsFileError(CalibrationError):
    """A list of calibration readings cannot be understood."""


class RecordingError(SteelyardError):
    """A file of a recorded session is at fault."""


class RecordingTruncatedError(RecordingError):
    """The file ends before what is needed from it."""


class RecordingFormatError(RecordingError):
    """The file is no recording, or of a version not known here."""


class RecordingStorageError(RecordingError):
    """The disk, the folder or another recorder stands in the way of the file."""


class ExportError(RecordingError):
    """A recording cannot be written in another format."""


class AnalysisError(SteelyardError):
    """A session cannot be analysed, or a figure was asked for that the data cannot give.

    A fault in the data of a session (missing samples, a restart, nobody pushing)
    is no error: it is said beside the results, and what it spoils is not
    computed.  An error is raised where nothing can be analysed at all.
    """


class ProfileError(AnalysisError):
    """A machine profile cannot be understood, or contradicts itself."""


class SheetError(AnalysisError):
    """A session sheet cannot be understood, or states what cannot be."""


class WrongMachineError(AnalysisError):
    """The recording was made on another machine or box than the profile describes."""


class ReportError(SteelyardError):
    """A report cannot be made, written or proved."""


class ResultFileError(ReportError):
    """A file is no session result, or of a version not known here."""


class StoreError(SteelyardError):
    """Records cannot be kept or found."""


class PlaceError(StoreError):
    """The folder or the server where records are kept cannot be used."""


class StoreDiskError(StoreError):
    """The disk is full, read-only or failing, or another program holds the file.

    Nothing that was kept before is harmed; what was being entered was not kept.
    """


class StoreVersionError(StoreError):
    """The database was made by a newer version, or by another program."""


class StoreDamagedError(StoreError):
    """The database or its audit trail is not whole."""


class EntryError(StoreError):
    """What was given cannot be entered."""


class ClientCodeError(EntryError):
    """A text that is no client code."""


class NotKeptError(StoreError):
    """There is no such client, visit or service."""


class AlreadyKeptError(StoreError):
    """There is one already."""


class ChangedMeanwhileError(StoreError):
    """Somebody else changed it since it was read.  Nothing was overwritten."""


class ConsentError(StoreError):
    """There is no consent in force for a maximal test."""


class ActionRefusedError(SteelyardError):
    """An operator asked for what cannot be done now, or must not be."""


class VisitStateError(SteelyardError):
    """A kept visit cannot be understood, or belongs to another machine."""


class PublishError(SteelyardError):
    """The stream cannot be offered to other programs."""


class AddressError(PublishError):
    """An address to serve on, or a site's name, cannot be used."""


class ControlError(PublishError):
    """A request to the broker cannot be carried out, or not now."""


class CatalogueError(SteelyardError):
    """The catalogue of recordings and results cannot be opened, written or asked."""


class ScreenError(SteelyardError):
    """The screens cannot be served."""


class ServingError(ScreenError):
    """The address cannot be served."""


class PairingError(ScreenError):
    """A pairing code was refused."""


class PairingDelayError(PairingError):
    """Too many wrong codes: nobody may try for a while.  ``seconds`` says how long."""

    def __init__(self, what: str, advice: str, seconds: float) -> None:
        super().__init__(what, advice)
        self.seconds = seconds


class WiringError(SteelyardError):
    """Readings of wires, demands on a sensor or the board's facts make no sense."""


class MissingExtraError(SteelyardError):
    """A feature needs a library of an extra that is not installed."""


class SimulatorError(SteelyardError):
    """The virtual box cannot do what was asked."""


class SimulatorOptionError(SimulatorError):
    """An option of the virtual box means nothing; the message lists those that do."""
