"""Every error this program raises on purpose.

An error is a value: its facts are attributes, its sentence says what, where, found and allowed, and its
remedy tells the person at the bench what to do next. This module imports nothing of the package.
"""

from dataclasses import dataclass
from typing import ClassVar


@dataclass(eq=False)
class BenchError(Exception):
    """Base of all refusals. ``str(error)`` is the sentence; ``remedy`` is what to do next."""

    remedy: ClassVar[str] = "Call the engineer responsible for this bench."

    def sentence(self) -> str:
        """What, where, found, allowed: one sentence."""
        raise NotImplementedError

    def __str__(self) -> str:
        return self.sentence()


# Quantities -------------------------------------------------------------------------------------


@dataclass(eq=False)
class UnitUnknownError(BenchError):
    """A unit was named that this quantity does not have."""

    quantity: str
    found: str
    allowed: tuple[str, ...]
    remedy: ClassVar[str] = "Write one of the allowed units."

    def sentence(self) -> str:
        return f"{self.quantity} has no unit '{self.found}'; allowed are {', '.join(self.allowed)}."


@dataclass(eq=False)
class QuantityUnreadableError(BenchError):
    """A text is not a number followed by a unit."""

    quantity: str
    found: str
    remedy: ClassVar[str] = "Write a number and a unit, for example 250 psi."

    def sentence(self) -> str:
        return f"{self.quantity} cannot be read from '{self.found}'; a number and a unit are needed."


@dataclass(eq=False)
class SizeUnknownError(BenchError):
    """A nominal size is in no table; sizes are looked up, never extrapolated."""

    found: str
    allowed: tuple[str, ...]
    where: str = "the table of nominal sizes"
    remedy: ClassVar[str] = "Check the size on the order; a size that is missing needs a procedure of its own."

    def sentence(self) -> str:
        return f"Size {self.found} is not in {self.where}; it holds {', '.join(self.allowed)}."


# Metrology --------------------------------------------------------------------------------------


@dataclass(eq=False)
class WaterRangeError(BenchError):
    """Properties of water were asked for where they are not known well enough."""

    quantity: str
    found: str
    allowed: str
    remedy: ClassVar[str] = "Check the temperature and pressure readings; other conditions need an engineer."

    def sentence(self) -> str:
        return f"Water: {self.quantity} is {self.found}; its properties are held for {self.allowed}."


@dataclass(eq=False)
class TooFewPointsError(BenchError):
    """There are too few data to draw this conclusion."""

    what: str
    found: str
    allowed: str
    remedy: ClassVar[str] = "Take more readings and try again; nothing is guessed from too few."

    def sentence(self) -> str:
        return f"{self.what}: found {self.found}; needed {self.allowed}."


@dataclass(eq=False)
class DataRefusedError(BenchError):
    """Data do not have the form that this evaluation needs."""

    what: str
    found: str
    allowed: str
    remedy: ClassVar[str] = "Correct the data and try again; nothing has been changed."

    def sentence(self) -> str:
        return f"{self.what}: found {self.found}; allowed {self.allowed}."


# Files ------------------------------------------------------------------------------------------


@dataclass(eq=False)
class FileRefusedError(BenchError):
    """A procedure, configuration or order file breaks a rule."""

    file: str
    field: str
    found: str
    allowed: str
    line: int | None = None
    remedy: ClassVar[str] = "Correct what is named in the file and try again; nothing has been changed."

    def sentence(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        found = f"found {self.found}; " if self.found else ""
        return f"{place}: {self.field}: {found}{self.allowed}."


@dataclass(eq=False)
class FileUnreadableError(FileRefusedError):
    """A file is not there, or the operating system does not hand it out."""

    remedy: ClassVar[str] = "Check the name of the file and who may read it; nothing has been changed."


@dataclass(eq=False)
class FileNotWrittenError(BenchError):
    """A file that was asked for cannot be put in its place."""

    path: str
    found: str
    remedy: ClassVar[str] = "Name a new file in a folder that can be written; nothing has been changed."

    def sentence(self) -> str:
        return f"{self.path} was not written: {self.found}."


@dataclass(eq=False)
class ProcedureUnknownError(BenchError):
    """No procedure of this name is at hand."""

    found: str
    allowed: tuple[str, ...]
    remedy: ClassVar[str] = "Name one of the procedures at hand, or put the file into the procedures folder."

    def sentence(self) -> str:
        return f"There is no procedure '{self.found}'; at hand are {', '.join(self.allowed) or 'none'}."


@dataclass(eq=False)
class HomeMissingError(BenchError):
    """The home folder has not been made."""

    home: str
    remedy: ClassVar[str] = "Run 'testbench init --home DIR' to make it."

    def sentence(self) -> str:
        return f"There is no bench home in {self.home}: bench.toml was not found."


@dataclass(eq=False)
class HomeExistsError(BenchError):
    """A home folder is already there and is not overwritten."""

    home: str
    remedy: ClassVar[str] = "Use this home as it is, or name another folder."

    def sentence(self) -> str:
        return f"{self.home} already holds a bench home; nothing was changed."


@dataclass(eq=False)
class HomeNotWritableError(BenchError):
    """The home folder cannot be written to."""

    home: str
    found: str
    remedy: ClassVar[str] = "Give this user write permission on the folder, or name another home."

    def sentence(self) -> str:
        return f"The home folder {self.home} cannot be written: {self.found}."


# Requirements -----------------------------------------------------------------------------------


@dataclass(eq=False)
class ProcedureDoesNotApplyError(BenchError):
    """This procedure has no rule for the valve as ordered."""

    procedure: str
    field: str
    found: str
    allowed: str
    remedy: ClassVar[str] = "Choose the procedure that the order names, or correct the valve's data."

    def sentence(self) -> str:
        return f"Procedure {self.procedure} does not apply: {self.field} is {self.found}; allowed: {self.allowed}."


@dataclass(eq=False)
class FactMissingError(BenchError):
    """The order does not say something that decides what the valve must pass."""

    field: str
    why: str
    remedy: ClassVar[str] = "Complete the valve's data on the order; nothing is guessed."

    def sentence(self) -> str:
        return f"The valve's {self.field} is not stated; {self.why}."


@dataclass(eq=False)
class ValveRefusedError(BenchError):
    """A fact of a valve is none that a valve can have."""

    field: str
    found: str
    allowed: str
    remedy: ClassVar[str] = "Correct this fact; nothing is guessed."

    def sentence(self) -> str:
        return f"The valve's {self.field} cannot be '{self.found}': {self.allowed}."


@dataclass(eq=False)
class AdoptionIncompleteError(BenchError):
    """A procedure cannot be adopted as asked."""

    procedure: str
    found: str
    remedy: ClassVar[str] = "Say for each source which copy it was confirmed from: --copy KEY='C508-17, works copy 3'."

    def sentence(self) -> str:
        return f"Procedure {self.procedure} was not adopted: {self.found}."


# Calibrations -----------------------------------------------------------------------------------


@dataclass(eq=False)
class CalibrationRefusedError(BenchError):
    """What was entered from a calibration certificate cannot be right, or cannot be used on this bench."""

    certificate: str
    field: str
    found: str
    allowed: str
    remedy: ClassVar[str] = "Compare it with the certificate and enter it again; nothing was kept."

    def sentence(self) -> str:
        return f"Calibration {self.certificate}: {self.field}: found {self.found}; {self.allowed}."


@dataclass(eq=False)
class CalibrationUnknownError(BenchError):
    """The register holds no calibration with this certificate number."""

    found: str
    allowed: tuple[str, ...]
    remedy: ClassVar[str] = "Name a certificate of 'testbench calibration list', or enter it first."

    def sentence(self) -> str:
        return f"There is no calibration {self.found} in the register; it holds {', '.join(self.allowed) or 'none'}."


@dataclass(eq=False)
class CalibrationAmbiguousError(BenchError):
    """Instruments of several serial numbers have a calibration with this certificate number."""

    found: str
    serials: tuple[str, ...]
    remedy: ClassVar[str] = "Name the instrument with --serial."

    def sentence(self) -> str:
        return f"There is a calibration {self.found} of each of these instruments: {', '.join(self.serials)}."


# Orders -----------------------------------------------------------------------------------------


@dataclass(eq=False)
class SerialsUnreadableError(BenchError):
    """A list or range of serial numbers cannot be counted out."""

    written: str
    found: str
    allowed: str
    remedy: ClassVar[str] = "Write HL-8-0001..HL-8-0040 for a range, A|B for a list; nothing has been changed."

    def sentence(self) -> str:
        return f"Serial numbers '{self.written}': found {self.found}; {self.allowed}."


@dataclass(eq=False)
class EncodingRefusedError(FileRefusedError):
    """A text file is in no encoding that says what it is."""

    remedy: ClassVar[str] = "Save the file as 'CSV UTF-8' and import it again; nothing has been changed."


@dataclass(eq=False)
class OrderRefusedError(BenchError):
    """Rows of an order break a rule; none of it was taken."""

    source: str
    bad: int
    """How many cells."""
    first: str
    remedy: ClassVar[str] = "Correct what is named and try again; nothing of this order was taken."

    def sentence(self) -> str:
        more = f" (and {self.bad - 1} more)" if self.bad > 1 else ""
        return f"{self.source} is no order yet: {self.first.rstrip('.')}{more}."


@dataclass(eq=False)
class SerialsInDoubtError(OrderRefusedError):
    """Serial numbers can be taken for each other, or for something else; somebody must say that they are meant."""

    remedy: ClassVar[str] = (
        "Correct the serial numbers, or give --accept-look-alikes WHY; nothing of this order was taken."
    )


@dataclass(eq=False)
class OrderExistsError(BenchError):
    """There is an order of this number already."""

    order: str
    file: str
    remedy: ClassVar[str] = "Give the order a number of its own; the one that is there was not changed."

    def sentence(self) -> str:
        return f"Order {self.order} is there already, in {self.file}."


@dataclass(eq=False)
class OrderNotWrittenError(BenchError):
    """The operating system refuses to keep a file of an order."""

    file: str
    reason: str
    remedy: ClassVar[str] = "Make room or give access, then try again; no part of it was kept."

    def sentence(self) -> str:
        return f"{self.file} could not be written: {self.reason}."


# Before a run -----------------------------------------------------------------------------------


@dataclass(eq=False)
class SerialUnknownError(BenchError):
    """The serial number is on no order."""

    serial: str
    order: str
    remedy: ClassVar[str] = "Read the number from the valve again, or have the order corrected."

    def sentence(self) -> str:
        return f"Serial number {self.serial} is not on order {self.order}."


@dataclass(eq=False)
class OrderUnknownError(BenchError):
    """There is no such order."""

    order: str
    allowed: tuple[str, ...]
    remedy: ClassVar[str] = "Check the order number on the traveller."

    def sentence(self) -> str:
        return f"There is no order {self.order}; open orders are {', '.join(self.allowed) or 'none'}."


@dataclass(eq=False)
class AlreadyAcceptedError(BenchError):
    """A valve with this serial number has been accepted already."""

    serial: str
    run: str
    remedy: ClassVar[str] = (
        "Check the serial number on the valve; ask the reviewer before testing it again. For a gauge study, order it "
        "under a procedure made for the study that nobody adopts."
    )

    def sentence(self) -> str:
        return f"Serial number {self.serial} was already accepted in run {self.run}."


@dataclass(eq=False)
class OperatorUnknownError(BenchError):
    """The named person is not an operator of this bench."""

    found: str
    allowed: tuple[str, ...]
    remedy: ClassVar[str] = "Choose a name that bench.toml lists under operators, or register operators."

    def sentence(self) -> str:
        return f"'{self.found}' is not an operator of this bench; operators are {', '.join(self.allowed) or 'none'}."


@dataclass(eq=False)
class CalibrationOverdueError(BenchError):
    """The deciding channel's calibration is out of date."""

    channel: str
    due: str
    today: str
    remedy: ClassVar[str] = "Fit a calibrated transmitter or have this one calibrated, then start again."

    def sentence(self) -> str:
        return f"Channel {self.channel}: calibration was due on {self.due}, today is {self.today}."


@dataclass(eq=False)
class CalibrationMissingError(BenchError):
    """Neither the register nor bench.toml has a calibration of the deciding channel for this day."""

    channel: str
    serial: str
    today: str
    remedy: ClassVar[str] = "Enter its calibration certificate: testbench calibration add."

    def sentence(self) -> str:
        return (
            f"Channel {self.channel}: instrument {self.serial} has no calibration in force on {self.today}, "
            "neither in the register nor in bench.toml."
        )


@dataclass(eq=False)
class GaugesDisagreeError(BenchError):
    """The newest check against a second gauge found more apart than both uncertainties allow."""

    channel: str
    found: str
    remedy: ClassVar[str] = (
        "Find out which of the two is wrong; have it calibrated, or repeat the check there, then start."
    )

    def sentence(self) -> str:
        return f"Channel {self.channel} disagrees with a second gauge: {self.found}."


@dataclass(eq=False)
class ChannelDisprovedError(BenchError):
    """A check against a second gauge, made while the run was open, disagreed with the channel."""

    run: str
    channel: str
    found: str
    remedy: ClassVar[str] = "Close the run, find out which of the two is wrong, then test the valve again."

    def sentence(self) -> str:
        return f"Channel {self.channel} disagreed with a second gauge while run {self.run} was open: {self.found}."


@dataclass(eq=False)
class GaugeCheckDueError(BenchError):
    """This bench wants a check against a second gauge before a shift, and there is no fresh one."""

    channel: str
    found: str
    every_h: int
    remedy: ClassVar[str] = "Compare the channel with a second gauge under pressure: testbench calibration check."

    def sentence(self) -> str:
        return (
            f"Channel {self.channel} must be checked against a second gauge every {self.every_h} h; "
            f"the newest check {self.found}."
        )


@dataclass(eq=False)
class RangeExceededError(BenchError):
    """The channel's calibrated range does not cover what the stage needs."""

    channel: str
    needed: str
    found: str
    remedy: ClassVar[str] = "Fit a transmitter whose calibrated range covers this pressure."

    def sentence(self) -> str:
        return f"Channel {self.channel} is calibrated {self.found}, but this test needs {self.needed}."


@dataclass(eq=False)
class UncertaintyTooLargeError(BenchError):
    """Required pressure plus guard band leaves no room below the upper limit."""

    channel: str
    stage: str
    acceptance: str
    upper: str
    remedy: ClassVar[str] = "Fit a transmitter with a smaller uncertainty."

    def sentence(self) -> str:
        return (
            f"Channel {self.channel}: in the {self.stage} the acceptance limit {self.acceptance} is not "
            f"below the upper limit {self.upper}."
        )


@dataclass(eq=False)
class ZeroCheckFailedError(BenchError):
    """The reading at atmosphere is not near enough to zero."""

    channel: str
    found: str
    allowed: str
    remedy: ClassVar[str] = (
        "Open the vent, wait until the line is empty, and start again; else have the channel checked."
    )

    def sentence(self) -> str:
        return f"Channel {self.channel} reads {self.found} at atmosphere; at most {self.allowed} is allowed."


@dataclass(eq=False)
class ZeroMovesError(BenchError):
    """The reading at atmosphere does not stand still, so that its mean is no zero."""

    channel: str
    found: str
    allowed: str
    remedy: ClassVar[str] = "Wait until the line is empty and the reading stands still, then start again."

    def sentence(self) -> str:
        return (
            f"Channel {self.channel} moved by {self.found} while its zero was taken; at most {self.allowed} is allowed."
        )


@dataclass(eq=False)
class NoReadingError(BenchError):
    """There is no fresh reading to work with."""

    channel: str
    reason: str
    remedy: ClassVar[str] = "Check the cable, the supply and the port of this transmitter."

    def sentence(self) -> str:
        return f"Channel {self.channel} gives no reading: {self.reason}."


@dataclass(eq=False)
class VesselNotReadError(BenchError):
    """The sensor of the collecting vessel does not tell what was caught."""

    sensor: str
    found: str
    remedy: ClassVar[str] = "Read the vessel yourself and enter the volume."

    def sentence(self) -> str:
        return f"The sensor {self.sensor} does not tell what was caught: {self.found}."


@dataclass(eq=False)
class ChannelUnknownError(BenchError):
    """No pressure channel of this bench has this tag."""

    found: str
    allowed: tuple[str, ...]
    remedy: ClassVar[str] = "Name one of these channels, or describe it in bench.toml."

    def sentence(self) -> str:
        return f"This bench has no pressure channel {self.found}; it has {', '.join(self.allowed)}."


@dataclass(eq=False)
class ChannelsDisagreeError(BenchError):
    """Two pressure channels do not show the same pressure."""

    found: str
    remedy: ClassVar[str] = "Release the pressure and find out which of the two is wrong; believe neither until then."

    def sentence(self) -> str:
        return f"{self.found}."


@dataclass(eq=False)
class DiskNearlyFullError(BenchError):
    """There is not enough free space to record a run safely."""

    found: str
    allowed: str
    remedy: ClassVar[str] = "Free space on this disk, then start again; no record was touched."

    def sentence(self) -> str:
        return f"Only {self.found} are free where the records lie; a run needs {self.allowed}."


@dataclass(eq=False)
class PressureNotReleasedError(BenchError):
    """There is still pressure where there must be none."""

    found: str
    allowed: str
    remedy: ClassVar[str] = "Open the release valve slowly and wait for zero; open or loosen nothing before."

    def sentence(self) -> str:
        return f"There are still {self.found} on the valve; at most {self.allowed} is allowed here."


@dataclass(eq=False)
class NothingLeftError(BenchError):
    """Every demanded stage of this run is decided."""

    run: str
    remedy: ClassVar[str] = "Close the run."

    def sentence(self) -> str:
        return f"Every stage of run {self.run} is decided; there is nothing left to test."


# During a run -----------------------------------------------------------------------------------


@dataclass(eq=False)
class RequestRefusedError(BenchError):
    """A request does not fit what is going on."""

    request: str
    state: str
    allowed: tuple[str, ...]
    remedy: ClassVar[str] = "Do what the screen asks for next."

    def sentence(self) -> str:
        return (
            f"'{self.request}' is not possible while {self.state}; "
            f"possible now: {', '.join(self.allowed) or 'nothing'}."
        )


@dataclass(eq=False)
class RequestUnreadableError(BenchError):
    """A line that came over the link is no request."""

    found: str
    remedy: ClassVar[str] = "Send one JSON object per line, as 'testbench link schema' describes."

    def sentence(self) -> str:
        return f"This is not a request: {self.found}."


@dataclass(eq=False)
class MarkRefusedError(BenchError):
    """The pressure beside a drawn volume cannot be read at this moment."""

    found: str
    allowed: str
    remedy: ClassVar[str] = "Wait a few seconds with the burette closed, then say so again."

    def sentence(self) -> str:
        return f"This mark was not taken: {self.found}; needed: {self.allowed}."


@dataclass(eq=False)
class PressureMovesError(BenchError):
    """The pressure does not stand still after a volume was drawn off."""

    rate: str
    remedy: ClassVar[str] = "Check that the burette is closed, wait, and say so again."

    def sentence(self) -> str:
        return f"The pressure still moves by {self.rate}; it must stand still before it is read."


@dataclass(eq=False)
class LossNotSeenError(BenchError):
    """No pressure was lost since the last mark, so nothing can have been drawn off."""

    found: str
    remedy: ClassVar[str] = "Draw the volume off, close the burette, then say so."

    def sentence(self) -> str:
        return f"Since the last mark {self.found} were lost; that is no more than noise."


@dataclass(eq=False)
class ObservationRefusedError(BenchError):
    """An observation is incomplete or does not belong to this stage."""

    found: str
    allowed: str
    remedy: ClassVar[str] = "Look again and record what was seen."

    def sentence(self) -> str:
        return f"The observation was not recorded: {self.found}; {self.allowed}."


# Ports ------------------------------------------------------------------------------------------


@dataclass(eq=False)
class PortMissingError(BenchError):
    """The serial port is not there."""

    port: str
    remedy: ClassVar[str] = "Plug the adapter in, or correct 'port' in bench.toml."

    def sentence(self) -> str:
        return f"Port {self.port} is not there."


@dataclass(eq=False)
class PortBusyError(BenchError):
    """Another program holds the port."""

    port: str
    remedy: ClassVar[str] = "Close the other program that reads this transmitter."

    def sentence(self) -> str:
        return f"Port {self.port} is in use by another program."


@dataclass(eq=False)
class PortSharedError(BenchError):
    """Bytes that had arrived were taken by somebody else."""

    port: str
    remedy: ClassVar[str] = "Close the other program, for example a terminal on the same port."

    def sentence(self) -> str:
        return f"Port {self.port} is read by another program as well, which took bytes from this one."


@dataclass(eq=False)
class PortFailedError(BenchError):
    """The port cannot be opened or used for another reason."""

    port: str
    found: str
    remedy: ClassVar[str] = "Check the adapter and this user's permission on the port."

    def sentence(self) -> str:
        return f"Port {self.port} cannot be used: {self.found}."


@dataclass(eq=False)
class PortSettingError(BenchError):
    """A serial port does not take what it is to be set to."""

    port: str
    settings: str
    remedy: ClassVar[str] = "Choose what port and transmitter both have; a pseudo-terminal, for example, has no parity."

    def sentence(self) -> str:
        return f"Port {self.port} does not take {self.settings}."


@dataclass(eq=False)
class OptionError(BenchError):
    """An option of a command has a value that is not allowed."""

    option: str
    why: str
    remedy: ClassVar[str] = "Correct this option and try again; nothing has been opened."

    def sentence(self) -> str:
        return f"{self.option}: {self.why}."


@dataclass(eq=False)
class OptionUnusedError(BenchError):
    """An option of a command means nothing beside the others."""

    option: str
    beside: str
    allowed: tuple[str, ...]
    remedy: ClassVar[str] = "Leave it out, or correct what stands beside it; nothing has been opened."

    def sentence(self) -> str:
        return f"{self.option} means nothing beside {self.beside}; allowed there are {', '.join(self.allowed)}."


@dataclass(eq=False)
class DeviceUnreachableError(BenchError):
    """A device on the network does not answer, or hung up."""

    where: str
    found: str
    remedy: ClassVar[str] = "Check the device's power, its network cable, and 'host' and 'tcp_port' in bench.toml."

    def sentence(self) -> str:
        return f"Device {self.where} cannot be reached: {self.found}."


@dataclass(eq=False)
class PortRecordedError(BenchError):
    """The recorder of a home reads this port."""

    port: str
    home: str
    remedy: ClassVar[str] = "Look at its screen with 'testbench run', or end it with 'testbench recorder --stop'."

    def sentence(self) -> str:
        return f"Port {self.port} is held by the recorder of {self.home}."


@dataclass(eq=False)
class CaptureDamagedError(BenchError):
    """A file is no capture, or was changed after it was written."""

    file: str
    line: int
    found: str
    remedy: ClassVar[str] = "Take the capture again, or use a copy that nobody changed."

    def sentence(self) -> str:
        return f"Capture {self.file}, line {self.line}: found {self.found}."


@dataclass(eq=False)
class CaptureNotWrittenError(BenchError):
    """A capture cannot be written."""

    file: str
    found: str
    remedy: ClassVar[str] = "Name a new file in a folder that can be written."

    def sentence(self) -> str:
        return f"Capture {self.file} cannot be written: {self.found}."


@dataclass(eq=False)
class CaptureSaysError(BenchError):
    """The line was away when the capture was taken."""

    said: str
    remedy: ClassVar[str] = "This is a replay: nothing is connected."

    def sentence(self) -> str:
        return self.said


@dataclass(eq=False)
class CaptureEndedError(BenchError):
    """A replay has come to its end."""

    file: str
    remedy: ClassVar[str] = "This was a replay: nothing is connected."

    def sentence(self) -> str:
        return f"Capture {self.file} has ended."


@dataclass(eq=False)
class NoTerminalError(BenchError):
    """The screen was called for where there is none."""

    remedy: ClassVar[str] = "Open it in a terminal; without one, 'testbench recorder' records and the link drives it."

    def sentence(self) -> str:
        return "The operator's screen needs a terminal."


@dataclass(eq=False)
class BrowseNeedsTerminalError(BenchError):
    """The history was to be browsed where there is no terminal."""

    remedy: ClassVar[str] = "Open it in a terminal; 'testbench history' with options of the search needs none."

    def sentence(self) -> str:
        return "Browsing the history needs a terminal."


@dataclass(eq=False)
class DemonstrationFailedError(BenchError):
    """The simulated operator did not bring every valve to a verdict."""

    found: str
    heard: str
    remedy: ClassVar[str] = "Read recorder.log in the demonstration's home folder."

    def sentence(self) -> str:
        return f"The demonstration was not completed: {self.found}. Last refusal: {self.heard.rstrip('.') or 'none'}."


# Recorder and link ------------------------------------------------------------------------------


@dataclass(eq=False)
class RecorderNotRunningError(BenchError):
    """No recorder answers for this home."""

    home: str
    remedy: ClassVar[str] = "Start it with 'testbench run --home DIR'."

    def sentence(self) -> str:
        return f"No recorder is running for {self.home}."


@dataclass(eq=False)
class RecorderBusyError(BenchError):
    """The recorder does not end now."""

    home: str
    found: str
    remedy: ClassVar[str] = "Close the run on the screen first."

    def sentence(self) -> str:
        return f"The recorder of {self.home} goes on: {self.found}"


@dataclass(eq=False)
class RecorderRunningError(BenchError):
    """A recorder already runs for this home; two would read one port."""

    home: str
    remedy: ClassVar[str] = "Attach a screen to it with 'testbench run', or end it with 'testbench recorder --stop'."

    def sentence(self) -> str:
        return f"A recorder is already running for {self.home}."


@dataclass(eq=False)
class RecorderStartFailedError(BenchError):
    """The recorder ended before it could be reached."""

    home: str
    found: str
    remedy: ClassVar[str] = "Read recorder.log in the home folder; correct what it names and start again."

    def sentence(self) -> str:
        return f"The recorder for {self.home} did not start: {self.found}."


# Records ----------------------------------------------------------------------------------------


@dataclass(eq=False)
class BaseTooShortError(BenchError):
    """A control chart has too few values to take its limits from."""

    what: str
    found: int
    allowed: int
    remedy: ClassVar[str] = "Name a longer base period, or search more widely; limits from so few values say nothing."

    def sentence(self) -> str:
        return (
            f"The chart of the {self.what} has {self.found} value(s) in its base; at least {self.allowed} are needed."
        )


@dataclass(eq=False)
class RunUnknownError(BenchError):
    """There is no such run in this home."""

    run: str
    home: str
    remedy: ClassVar[str] = "List the runs with 'testbench history'."

    def sentence(self) -> str:
        return f"There is no run {self.run} in {self.home}."


@dataclass(eq=False)
class SearchRefusedError(BenchError):
    """A search asks for something that cannot be looked for."""

    what: str
    found: str
    allowed: str
    remedy: ClassVar[str] = "Correct the search; 'testbench history --help' lists what can be looked for."

    def sentence(self) -> str:
        return f"The search cannot be made: {self.what} is '{self.found}'; allowed is {self.allowed}."


@dataclass(eq=False)
class ExportNotWrittenError(BenchError):
    """A file of the history was not put in place."""

    path: str
    found: str
    remedy: ClassVar[str] = "Name another file, make room or give access, then try again; no part of it was kept."

    def sentence(self) -> str:
        return f"{self.path} was not written: {self.found}."


@dataclass(eq=False)
class NothingFoundError(BenchError):
    """A page, a chart or a study was asked of runs, and there are none."""

    what: str
    among: str
    remedy: ClassVar[str] = "Search more widely; 'testbench history' shows which runs there are."

    def sentence(self) -> str:
        return f"There is nothing for {self.what}: found no such run among {self.among}."


@dataclass(eq=False)
class RecordsOlderError(BenchError):
    """The tables are from before there was anything to search in."""

    path: str
    remedy: ClassVar[str] = (
        "Start the recorder once, or call 'testbench history rebuild': either brings them up to date."
    )

    def sentence(self) -> str:
        return f"The records in {self.path} are from before runs could be searched."


@dataclass(eq=False)
class RunOpenError(BenchError):
    """Something was asked of a run that is still open."""

    run: str
    remedy: ClassVar[str] = "End the run at its bench first; 'testbench history' lists it once it is closed."

    def sentence(self) -> str:
        return f"Run {self.run} is still open; only a closed run is read, signed or put on paper."


@dataclass(eq=False)
class BlankRefusedError(BenchError):
    """A hold cannot serve as a blank run."""

    run: str
    why: str
    remedy: ClassVar[str] = "Take a completed hold on a tight body, its pump isolated and its pressure at rest."

    def sentence(self) -> str:
        return f"Run {self.run} gives no blank run: {self.why}."


@dataclass(eq=False)
class RunClosedError(BenchError):
    """Something was to be added to a run that is closed."""

    run: str
    remedy: ClassVar[str] = "Begin a new run; the record of this one stays as it is."

    def sentence(self) -> str:
        return f"Run {self.run} is closed; a closed run is never changed."


@dataclass(eq=False)
class RecordDamagedError(BenchError):
    """A stored record or trace is not what was written."""

    run: str
    what: str
    remedy: ClassVar[str] = "Restore this record from a backup; do not issue a certificate from it."

    def sentence(self) -> str:
        return f"Run {self.run}: {self.what} does not match its hash; it was changed after it was written."


@dataclass(eq=False)
class StoreFailedError(BenchError):
    """The database refused to work."""

    path: str
    found: str
    remedy: ClassVar[str] = "Free space or restore write permission; what was acknowledged is safe on disk."

    def sentence(self) -> str:
        return f"The records in {self.path} cannot be used: {self.found}."


@dataclass(eq=False)
class StoreBusyError(StoreFailedError):
    """Another program holds the database for too long."""

    remedy: ClassVar[str] = "Close the other program that writes to this home, then try again."


@dataclass(eq=False)
class StoreDamagedError(StoreFailedError):
    """The database file itself is damaged."""

    remedy: ClassVar[str] = "Stop using this file, keep it as it is, and restore the newest backup beside it."


@dataclass(eq=False)
class RowNotNamedError(BenchError):
    """A row of a register is not one that the ledger names: it was written past the program, or changed."""

    register: str
    number: int | str
    """Of a document of a run: with the run's."""
    remedy: ClassVar[str] = (
        "Call the engineer: 'testbench ledger verify' tells more; restore the records from a backup."
    )

    def sentence(self) -> str:
        return f"{self.register.capitalize()} {self.number} is not what the ledger names; it counts for nothing."


@dataclass(eq=False)
class RowMissingError(BenchError):
    """Rows of a register, or of the documents of the runs, were taken out: the ledger names more than are there."""

    register: str
    found: int
    remedy: ClassVar[str] = RowNotNamedError.remedy

    def sentence(self) -> str:
        return (
            f"The ledger names more under '{self.register}' than the {self.found} that are there: something was taken "
            "out, and what is left does not tell all."
        )


@dataclass(eq=False)
class RecordsMissingError(StoreFailedError):
    """The database of a bench is not there, or holds none of its tables."""

    remedy: ClassVar[str] = (
        "Restore the newest backup with 'testbench restore FILE'; new records are only made by 'testbench init', in a "
        "new home."
    )


@dataclass(eq=False)
class NoRoomError(BenchError):
    """There is not enough free space to copy the records."""

    folder: str
    found: str
    needed: str
    remedy: ClassVar[str] = "Free space there, or name another folder; nothing was changed."

    def sentence(self) -> str:
        return f"Only {self.found} are free in {self.folder}; a copy of the records needs {self.needed}."


@dataclass(eq=False)
class BackupRefusedError(BenchError):
    """A copy of the records was not made, or is none that may take the place of the records."""

    path: str
    found: str
    remedy: ClassVar[str] = "Nothing was changed. Correct what is named, or use another backup."

    def sentence(self) -> str:
        return f"Backup {self.path}: {self.found}."


@dataclass(eq=False)
class ArchiveRefusedError(BenchError):
    """Runs were not written as plain files."""

    path: str
    found: str
    remedy: ClassVar[str] = "Correct what is named and export again; the records are untouched."

    def sentence(self) -> str:
        return f"Export {self.path}: {self.found}."


@dataclass(eq=False)
class RestoreWouldLoseError(BenchError):
    """The records hold more than the backup that was to take their place."""

    path: str
    found: str
    remedy: ClassVar[str] = (
        "Look at what would be lost; if it may be, say so with --discard-newer WHY. Nothing was changed."
    )

    def sentence(self) -> str:
        return f"Backup {self.path} was not restored: {self.found}."


@dataclass(eq=False)
class ReasonMissingError(BenchError):
    """A reason was asked for that stays in the ledger, and nothing was given."""

    option: str
    remedy: ClassVar[str] = "Say in a few words why; the ledger keeps it. Nothing was changed."

    def sentence(self) -> str:
        return f"{self.option} was given without a reason."


@dataclass(eq=False)
class StoreNewerError(BenchError):
    """The database was written by a newer version of this program."""

    path: str
    found: str
    known: str
    remedy: ClassVar[str] = "Use the newer version of testbench; nothing was changed."

    def sentence(self) -> str:
        return f"{self.path} has schema {self.found}; this program knows up to {self.known}."


# Ledger -----------------------------------------------------------------------------------------


@dataclass(eq=False)
class CheckpointRefusedError(BenchError):
    """What was given as a checkpoint of a ledger is none, or not of this bench."""

    where: str
    found: str
    remedy: ClassVar[str] = (
        "Give a file of 'testbench ledger checkpoint', a certificate, the line that it prints, or the log beside "
        "backups."
    )

    def sentence(self) -> str:
        return f"Checkpoint {self.where}: {self.found}."


@dataclass(eq=False)
class LedgerMissingError(BenchError):
    """Records from before the ledger were to be checked by it."""

    path: str
    remedy: ClassVar[str] = "Start the recorder once: it brings the records up to date and takes them into a ledger."

    def sentence(self) -> str:
        return f"The records in {self.path} have no ledger yet: an earlier version of this program wrote them."


@dataclass(eq=False)
class LedgerKeyError(BenchError):
    """The key that signs the checkpoints of the ledger cannot be used, or is not the one that the ledger names."""

    path: str
    found: str
    remedy: ClassVar[str] = (
        "Restore the file from the backup of the keys with mode 0600; if it is gone for good, begin a new key, which "
        "the ledger will name: testbench ledger checkpoint --new-key WHY."
    )

    def sentence(self) -> str:
        return f"Key of the ledger {self.path}: {self.found}."


# People -----------------------------------------------------------------------------------------


@dataclass(eq=False)
class NotAuthenticatedError(BenchError):
    """Person and secret do not belong together; which of the two is wrong is not told."""

    person: str
    remedy: ClassVar[str] = "Enter both again; an engineer can set a new PIN or password."

    def sentence(self) -> str:
        return f"'{self.person}' and what was entered do not belong together."


@dataclass(eq=False)
class PersonLockedError(BenchError):
    """Too many wrong tries in a row."""

    person: str
    tries: int
    until: str
    remedy: ClassVar[str] = "Wait, or have an engineer set a new secret; tell the engineer if it was not you who tried."

    def sentence(self) -> str:
        return f"'{self.person}' is locked until {self.until}, after {self.tries} wrong tries in a row."


@dataclass(eq=False)
class PersonDisabledError(BenchError):
    """The person may not act any more."""

    person: str
    remedy: ClassVar[str] = "Have an engineer enable the person with 'testbench people enable'."

    def sentence(self) -> str:
        return f"'{self.person}' is disabled on this bench."


@dataclass(eq=False)
class RoleMissingError(BenchError):
    """The person has not the role that this needs."""

    person: str
    roles: tuple[str, ...]
    needed: str
    remedy: ClassVar[str] = "Have it done by a person with that role."

    def sentence(self) -> str:
        return f"'{self.person}' is {', '.join(self.roles) or 'without a role'}; this needs the role {self.needed}."


@dataclass(eq=False)
class PersonUnknownError(BenchError):
    """Nobody is registered under this id."""

    person: str
    allowed: tuple[str, ...]
    remedy: ClassVar[str] = "List the people with 'testbench people list'."

    def sentence(self) -> str:
        return f"Nobody is registered as '{self.person}'; registered are {', '.join(self.allowed) or 'none'}."


@dataclass(eq=False)
class PersonExistsError(BenchError):
    """Id and printed name belong to one person for ever."""

    found: str
    person: str
    remedy: ClassVar[str] = "Choose another id, and a name that tells the two apart on paper."

    def sentence(self) -> str:
        return f"'{self.found}' is taken by '{self.person}'."


@dataclass(eq=False)
class PersonAlikeError(BenchError):
    """An id or printed name cannot be told from another person's on paper."""

    found: str
    taken: str
    person: str
    remedy: ClassVar[str] = "Choose an id and a name that tell the two apart on paper, for example by a second initial."

    def sentence(self) -> str:
        return f"'{self.found}' looks like '{self.taken}', which is taken by '{self.person}'."


@dataclass(eq=False)
class PersonRefusedError(BenchError):
    """Something said of a person breaks a rule."""

    field: str
    allowed: str
    remedy: ClassVar[str] = "Correct it and enter the person again; nothing was kept."

    def sentence(self) -> str:
        return f"The person was not entered: {self.field}: {self.allowed}."


@dataclass(eq=False)
class PersonStandsError(BenchError):
    """A person already is what the change would make them."""

    person: str
    state: str
    remedy: ClassVar[str] = "Nothing is to be done, and nothing was entered; 'testbench people list' shows it."

    def sentence(self) -> str:
        return f"'{self.person}' is {self.state} already."


@dataclass(eq=False)
class FirstPersonError(BenchError):
    """The first person of a bench must be able to answer for the others."""

    person: str
    remedy: ClassVar[str] = (
        "Add an engineer first; everybody after that is added with --by and the engineer's password."
    )

    def sentence(self) -> str:
        return f"'{self.person}' would be the first person of this bench and is no engineer."


@dataclass(eq=False)
class LastEngineerError(BenchError):
    """Without an engineer nobody could change anything any more."""

    person: str
    remedy: ClassVar[str] = "Add another engineer first."

    def sentence(self) -> str:
        return f"'{self.person}' is the last enabled engineer of this bench."


@dataclass(eq=False)
class SecretRefusedError(BenchError):
    """A PIN or password is too weak, or not of its form. The secret itself is never named."""

    method: str
    found: str
    allowed: str
    remedy: ClassVar[str] = "Choose another one; nothing was changed."

    def sentence(self) -> str:
        return f"This {self.method} is refused: {self.found}; allowed: {self.allowed}."


@dataclass(eq=False)
class SecretNotGivenError(BenchError):
    """A secret is needed and nobody can be asked for it."""

    what: str
    remedy: ClassVar[str] = "Call it from a terminal, or give one secret a line with --secret-stdin."

    def sentence(self) -> str:
        return f"{self.what} is needed and was not given."


@dataclass(eq=False)
class SecretUnreadableError(BenchError):
    """A secret is no text. The secret itself is never named."""

    what: str
    remedy: ClassVar[str] = "Give it as UTF-8; nothing was changed."

    def sentence(self) -> str:
        return f"{self.what} cannot be read: it is not UTF-8."


@dataclass(eq=False)
class PepperMissingError(BenchError):
    """PINs were set with a key file that is not there or not protected."""

    path: str
    found: str
    remedy: ClassVar[str] = (
        "Restore the file from the backup of the keys with mode 0600; without it every PIN must be set anew "
        "(testbench people set-pin --new-pepper)."
    )

    def sentence(self) -> str:
        return f"No PIN can be checked: {self.path}: {self.found}."


@dataclass(eq=False)
class PepperChangedError(BenchError):
    """The key file of the PINs is another one than that which a PIN was set with."""

    person: str
    path: str
    remedy: ClassVar[str] = (
        "Put the right file back from the backup of the keys; where it is lost, have an engineer set this PIN anew "
        "with 'testbench people set-pin --by'."
    )

    def sentence(self) -> str:
        return f"The PIN of '{self.person}' cannot be checked: {self.path} is not the key file that it was set with."


@dataclass(eq=False)
class PersonEntryDamagedError(BenchError):
    """A stored secret is not the one that was entered."""

    person: str
    remedy: ClassVar[str] = "Call the engineer; restore the records from a backup."

    def sentence(self) -> str:
        return f"The stored secret of '{self.person}' does not match its entry; it was changed after it was written."


# Signatures -------------------------------------------------------------------------------------


@dataclass(eq=False)
class OwnRunError(BenchError):
    """Whoever performed a run never reviews or releases it."""

    run: str
    person: str
    meaning: str
    remedy: ClassVar[str] = "Have another reviewer sign."

    def sentence(self) -> str:
        return f"'{self.person}' performed run {self.run} and cannot sign it as {self.meaning}."


@dataclass(eq=False)
class NotTheOperatorError(BenchError):
    """Only the operator of a run performed it."""

    run: str
    person: str
    operator: str
    remedy: ClassVar[str] = "Have the operator of the run sign."

    def sentence(self) -> str:
        return f"Run {self.run} was performed by '{self.operator}'; '{self.person}' cannot sign it as performed."


@dataclass(eq=False)
class AlreadySignedError(BenchError):
    """A signature of this meaning is there already."""

    subject: str
    meaning: str
    by: str
    remedy: ClassVar[str] = "Nothing is to be done; 'testbench signatures' shows it."

    def sentence(self) -> str:
        return f"{self.subject} is already signed as {self.meaning}, by {self.by}."


@dataclass(eq=False)
class NotReadyToReleaseError(BenchError):
    """A release needs an accepted verdict and the operator's signature."""

    run: str
    why: str
    refused: str = "cannot be released"
    remedy: ClassVar[str] = (
        "Released is the newest accepted run of a valve, signed by its operator, that nothing stands against."
    )

    def sentence(self) -> str:
        return f"Run {self.run} {self.refused}: {self.why}."


@dataclass(eq=False)
class RunReturnedError(BenchError):
    """A returned run is signed by no reviewer before it was answered."""

    run: str
    by: str
    why: str
    remedy: ClassVar[str] = "Answer it with 'testbench review answer', then review it again."

    def sentence(self) -> str:
        return f"Run {self.run} was returned by {self.by} and is not answered yet: {self.why}"


@dataclass(eq=False)
class SealBrokenError(BenchError):
    """The ledger does not stand for a run as it lies in the records now."""

    run: str
    what: str
    remedy: ClassVar[str] = "Release nothing. Walk the ledger with 'testbench ledger verify' and call the engineer."

    def sentence(self) -> str:
        return f"Run {self.run} is not as it was sealed: {self.what}."


@dataclass(eq=False)
class DecidedOtherwiseError(BenchError):
    """The present program decides the samples of a run otherwise than its record."""

    run: str
    recorded: str
    now: str
    remedy: ClassVar[str] = "Look at it with 'testbench judge'; an engineer decides which of the two is right."

    def sentence(self) -> str:
        return f"Run {self.run} is recorded as {self.recorded}; decided again from its samples it is {self.now}."


@dataclass(eq=False)
class ReturnRefusedError(BenchError):
    """A run cannot be returned now."""

    run: str
    why: str
    remedy: ClassVar[str] = "Return a run that another person performed and nobody released, once at a time."

    def sentence(self) -> str:
        return f"Run {self.run} cannot be returned: {self.why}."


@dataclass(eq=False)
class ReturnedToError(BenchError):
    """A run is returned to somebody who could not answer it."""

    run: str
    to: str
    remedy: ClassVar[str] = (
        "Leave out to whom: it then goes to its operator; or name an engineer, whom 'testbench people list' shows."
    )

    def sentence(self) -> str:
        return f"Run {self.run} cannot be returned: '{self.to}' neither performed it nor is an engineer here."


@dataclass(eq=False)
class AnswerRefusedError(BenchError):
    """A returned run cannot be answered so."""

    run: str
    why: str
    remedy: ClassVar[str] = "A returned run is answered by its operator or an engineer, never by who returned it."

    def sentence(self) -> str:
        return f"Run {self.run} cannot be answered: {self.why}."


@dataclass(eq=False)
class NoRegisterError(BenchError):
    """Something was to be entered into a register that the bench does not keep."""

    register: str
    remedy: ClassVar[str] = "Return the run with the reason instead."

    def sentence(self) -> str:
        return f"This bench keeps no register of {self.register}."


@dataclass(eq=False)
class NotOpenedError(BenchError):
    """Several runs are released together only if this reviewer has opened each of them."""

    run: str
    person: str
    remedy: ClassVar[str] = "Open it in 'testbench review', then release."

    def sentence(self) -> str:
        return f"Run {self.run} was not opened by '{self.person}' since it was sealed."


@dataclass(eq=False)
class NotCleanError(BenchError):
    """A run with something to look at is released by itself."""

    run: str
    remarks: tuple[str, ...]
    remedy: ClassVar[str] = "Open it and release it by itself."

    def sentence(self) -> str:
        return f"Run {self.run} is not clean: {'; '.join(self.remarks)}."


@dataclass(eq=False)
class BatchRefusedError(BenchError):
    """One run of a batch cannot be released with the others; then none is."""

    runs: int
    why: tuple[str, ...]
    remedy: ClassVar[str] = "Take those runs out, or see to them, and release again."

    def sentence(self) -> str:
        return f"None of these {self.runs} runs was released. {' '.join(self.why)}"


@dataclass(eq=False)
class NotSignedError(BenchError):
    """A document waits for a signature."""

    run: str
    document: str
    meaning: str
    remedy: ClassVar[str] = "Sign it with 'testbench sign'; the document is then written."

    def sentence(self) -> str:
        return f"Run {self.run} gets its {self.document} once it is signed as {self.meaning}."


@dataclass(eq=False)
class PageOwedError(BenchError):
    """A signature is kept, and the document that it set free could not be written."""

    run: str
    meaning: str
    by: str
    document: str
    why: str
    remedy: ClassVar[str] = (
        "Do not sign again; correct what is named, then write the page with 'testbench certificate issue'."
    )

    def sentence(self) -> str:
        signed = f"Run {self.run} is signed as {self.meaning} by {self.by}, and that is kept"
        return f"{signed}; its {self.document} is still owed: {self.why}"


@dataclass(eq=False)
class ClockBehindError(BenchError):
    """The time of day lies before something that has already happened."""

    now: str
    after: str
    what: str
    remedy: ClassVar[str] = "Set the clock of this machine right, then sign again."

    def sentence(self) -> str:
        return f"The clock shows {self.now}, which is before {self.what} at {self.after}; nothing is signed."


@dataclass(eq=False)
class NotAWitnessError(BenchError):
    """A witness signs what the record says that they attended."""

    run: str
    name: str
    attended: tuple[str, ...]
    remedy: ClassVar[str] = "Only who was entered as attending, before the stage began, can sign as a witness."

    def sentence(self) -> str:
        there = ", ".join(self.attended) or "nobody"
        return f"Run {self.run} was attended by {there}; {self.name} cannot sign it as witnessed."


# Witness points ---------------------------------------------------------------------------------


@dataclass(eq=False)
class WitnessPointRefusedError(BenchError):
    """A witness point of an order fits no stage, or two name the same one."""

    order: str
    stage: str
    allowed: tuple[str, ...]
    remedy: ClassVar[str] = "Have the order corrected; each witness point names one stage of the valve, once."

    def sentence(self) -> str:
        allowed = ", ".join(self.allowed)
        return f"Order {self.order} names a witness point for '{self.stage}'; stages are {allowed}, each once."


@dataclass(eq=False)
class WitnessPointUnreadableError(BenchError):
    """A witness point that was written in one cell cannot be read."""

    written: str
    found: str
    allowed: str
    remedy: ClassVar[str] = "Write for example 'shell test; witness point; Ellery Water Board; its inspection desk; 5'."

    def sentence(self) -> str:
        return f"Witness point '{self.written}': found {self.found}; {self.allowed}."


@dataclass(eq=False)
class AttendanceNotSaidError(BenchError):
    """A stage with a witness or hold point begins only once it is said who attends."""

    stage: str
    point: str
    party: str
    remedy: ClassVar[str] = "Say who attends, or that nobody does."

    def sentence(self) -> str:
        return f"The {self.stage} is a {self.point} of {self.party}; who attends was not said."


@dataclass(eq=False)
class OtherPartyError(BenchError):
    """Those who attend a witness point do so for others than the party whose point it is."""

    stage: str
    party: str
    attended: str
    remedy: ClassVar[str] = "Name who attends for the party, others beside; or say that nobody attends."

    def sentence(self) -> str:
        return f"The {self.stage} is a witness point of {self.party}; nobody attends for it, but {self.attended}."


@dataclass(eq=False)
class HoldPointError(BenchError):
    """A hold point is not passed without a witness of its party, registered where people are."""

    stage: str
    party: str
    why: str
    remedy: ClassVar[str] = (
        "Wait for the witness; an engineer registers one with 'testbench people add --role witness'. Or have the party "
        "release the point in writing and the order changed."
    )

    def sentence(self) -> str:
        return f"The {self.stage} is a hold point of {self.party} and does not begin: {self.why}."


# Certificate ------------------------------------------------------------------------------------


@dataclass(eq=False)
class NoCertificateError(BenchError):
    """This run may not be turned into a document."""

    run: str
    reason: str
    remedy: ClassVar[str] = "Test the valve again; the record of this run stays in the history."

    def sentence(self) -> str:
        return f"Run {self.run} gets neither certificate nor rejection report: {self.reason}."


@dataclass(eq=False)
class GlyphMissingError(BenchError):
    """A character cannot be printed with the fonts at hand."""

    text: str
    character: str
    remedy: ClassVar[str] = "Write the text with characters that the font has."

    def sentence(self) -> str:
        return f"'{self.text}' holds the character U+{ord(self.character):04X}, which no installed font can print."


@dataclass(eq=False)
class LanguageUnknownError(BenchError):
    """No document can be drawn in this language."""

    found: str
    allowed: tuple[str, ...]
    remedy: ClassVar[str] = "Name one of them, or put a file of this name into reports/languages."

    def sentence(self) -> str:
        return f"There is no language '{self.found}' for documents; at hand are {', '.join(self.allowed)}."


@dataclass(eq=False)
class HowToCheckMissingError(LanguageUnknownError):
    """The page that customers get is not at hand in this language."""

    file: str
    """Name of the file that lacks."""
    remedy: ClassVar[str] = (
        "Name one of them with --out-language, or copy reports/how-to-check-en.toml to that name and translate its "
        "texts."
    )

    def sentence(self) -> str:
        return f"There is no reports/{self.file}, the page for customers; at hand are {', '.join(self.allowed)}."


@dataclass(eq=False)
class UnitsUnknownError(BenchError):
    """No document can be drawn with these units."""

    found: str
    allowed: tuple[str, ...]
    remedy: ClassVar[str] = "Name one of them, or write the order of units into reports/units.toml."

    def sentence(self) -> str:
        return f"There are no units '{self.found}' for documents; at hand are {', '.join(self.allowed)}."


@dataclass(eq=False)
class LanguageFileError(BenchError):
    """A language file breaks a rule; nothing is printed with it."""

    file: str
    key: str
    found: str
    allowed: str
    remedy: ClassVar[str] = "Correct the file; en.toml beside it has every key with its placeholders."

    def sentence(self) -> str:
        return f"Language file {self.file}, {self.key}: found {self.found}; allowed: {self.allowed}."


@dataclass(eq=False)
class KeyFileError(BenchError):
    """The station key is missing or not protected."""

    path: str
    found: str
    remedy: ClassVar[str] = "Run 'testbench init' to make a key, or set its permissions to 0600."

    def sentence(self) -> str:
        return f"Station key {self.path}: {self.found}."


@dataclass(eq=False)
class ArchiveProfileError(BenchError):
    """A drawn document breaks a rule of the archive profile."""

    profile: str
    found: tuple[str, ...]
    remedy: ClassVar[str] = "The record is safe; report this sentence, the document is issued once it is corrected."

    def sentence(self) -> str:
        return f"The document is not PDF/A-{self.profile}: {'; '.join(self.found[:3])}."


@dataclass(eq=False)
class PassphraseWrongError(BenchError):
    """A key does not open."""

    path: str
    remedy: ClassVar[str] = "Type the passphrase again; if it is lost, make a new key with 'testbench keys renew'."

    def sentence(self) -> str:
        return f"Key {self.path} does not open: the passphrase is wrong, or the file was changed."


@dataclass(eq=False)
class PassphraseMissingError(BenchError):
    """A key needs a passphrase and nobody is there to ask."""

    what: str
    found: str
    allowed: str = (
        "the file that TESTBENCH_PASSPHRASE_FILE names, the system's credential testbench-passphrase, a terminal"
    )
    remedy: ClassVar[str] = "Put the passphrase into a file of mode 0600 and name it in TESTBENCH_PASSPHRASE_FILE."

    def sentence(self) -> str:
        return f"Passphrase of {self.what} cannot be used: {self.found}; allowed is {self.allowed}."


@dataclass(eq=False)
class PassphraseNotGivenError(PassphraseMissingError):
    """A person was to give a passphrase, and did not."""

    remedy: ClassVar[str] = "Type it at a terminal, or give it as a line of standard input with --passphrase-stdin."


@dataclass(eq=False)
class TrustFileError(BenchError):
    """A file that says whom the reader trusts, or trusts no more, cannot be used."""

    what: str
    path: str
    found: str
    allowed: str
    remedy: ClassVar[str] = (
        "Check the name of the file, or get it from the works anew: 'testbench keys export' writes it there."
    )

    def sentence(self) -> str:
        return f"{self.what} {self.path}: {self.found}; needed is {self.allowed}."


@dataclass(eq=False)
class AuthorityRefusedError(BenchError):
    """The works' authority cannot do what was asked."""

    what: str
    found: str
    allowed: str
    remedy: ClassVar[str] = "'testbench keys show' lists what there is; nothing has been changed."

    def sentence(self) -> str:
        return f"{self.what}: found {self.found}; allowed {self.allowed}."


@dataclass(eq=False)
class KeyRevokedError(BenchError):
    """A key would sign what every check refuses: its certificate was revoked."""

    signer: str
    """Name in the certificate."""
    revoked: str
    """Name in the certificate that was revoked: the same, or the authority above it."""
    on: str
    """Date and reason."""
    remedy: ClassVar[str] = "Make the station a new key with 'testbench keys renew station'. Nothing was written."

    def sentence(self) -> str:
        return f"{self.signer} signs nothing more: the certificate of {self.revoked} was revoked on {self.on}."


@dataclass(eq=False)
class IssuerRevokedError(KeyRevokedError):
    """The authority above the certificate of a key was revoked."""

    remedy: ClassVar[str] = (
        "Make a new authority with 'testbench keys renew issuing --root-dir DIRECTORY', then the station a new key "
        "with 'testbench keys renew station'. Nothing was written."
    )


@dataclass(eq=False)
class TokenFailedError(BenchError):
    """A key on a token cannot be used."""

    token: str
    found: str
    remedy: ClassVar[str] = "Plug the token in, check module, label and PIN in token.toml, and try again."

    def sentence(self) -> str:
        return f"Token {self.token}: {self.found}."


@dataclass(eq=False)
class SignatureRefusedError(BenchError):
    """A document does not take this signature."""

    field: str
    found: str
    allowed: str
    remedy: ClassVar[str] = "The document is unchanged; the signatures it has stay valid."

    def sentence(self) -> str:
        return f"Signature {self.field}: {self.found}; allowed is {self.allowed}."


@dataclass(eq=False)
class StampFailedError(BenchError):
    """A time-stamp authority gave no time stamp."""

    authority: str
    found: str
    remedy: ClassVar[str] = "The document is valid without it; run 'testbench certificate stamp' later."

    def sentence(self) -> str:
        return f"Time-stamp authority {self.authority} gave no time stamp: {self.found}."


@dataclass(eq=False)
class DocumentUnreadableError(BenchError):
    """The file is no document of ours."""

    path: str
    found: str
    remedy: ClassVar[str] = "Ask the works for the original file."

    def sentence(self) -> str:
        return f"{self.path} cannot be checked: {self.found}."


@dataclass(eq=False)
class DocumentMissingError(BenchError):
    """There is no file to check."""

    path: str
    remedy: ClassVar[str] = "Check the name of the file; nothing was verified."

    def sentence(self) -> str:
        return f"There is no file {self.path}."


@dataclass(eq=False)
class DocumentExistsError(BenchError):
    """A document of this number was issued before and is not overwritten."""

    number: str
    path: str
    remedy: ClassVar[str] = "Use the document that is there; 'testbench certificate verify' checks it."

    def sentence(self) -> str:
        return f"Document {self.number} was already issued as {self.path}; it is not overwritten."


@dataclass(eq=False)
class DocumentLostError(BenchError):
    """A document was issued and does not lie where it was put; its number never gets another content."""

    number: str
    path: str
    sha256: str
    remedy: ClassVar[str] = (
        "Put the file back from a copy of certificates/ or ask the customer for it: its SHA-256 must be this one."
    )

    def sentence(self) -> str:
        return (
            f"Document {self.number} was issued and is no longer at {self.path}; it is not issued again (SHA-256 "
            f"{self.sha256})."
        )


@dataclass(eq=False)
class PersonKeyError(BenchError):
    """A person has no key of their own that counts."""

    person: str
    found: str
    remedy: ClassVar[str] = (
        "'testbench keys issue NAME' makes one for the printed name of a registered person, 'keys renew' a new one."
    )

    def sentence(self) -> str:
        return f"'{self.person}' cannot sign with a key of their own: {self.found}."


@dataclass(eq=False)
class WithdrawalRefusedError(BenchError):
    """A document is not withdrawn or replaced."""

    number: str
    found: str
    remedy: ClassVar[str] = "'testbench certificate list --withdrawn' shows what is withdrawn. Nothing was changed."

    def sentence(self) -> str:
        return f"Document {self.number} cannot be withdrawn or replaced: {self.found}."


@dataclass(eq=False)
class DocumentUnknownError(BenchError):
    """The register knows no document of this number."""

    number: str
    home: str
    remedy: ClassVar[str] = "Check the number; it stands at the top of the page, for example C-B1-000123."

    def sentence(self) -> str:
        return f"The records in {self.home} know no document {self.number}."


@dataclass(eq=False)
class DocumentWithdrawnError(BenchError):
    """The document of a run was withdrawn; the run gets no other one without a new reason."""

    number: str
    told: str
    remedy: ClassVar[str] = "Put right what was wrong, then 'testbench certificate replace' with a reason of its own."

    def sentence(self) -> str:
        return f"Document {self.number} is not issued again: {self.told.rstrip('.')}."


@dataclass(eq=False)
class WithdrawnListRefusedError(BenchError):
    """What was given as a list of withdrawn documents is none that the reader can trust."""

    path: str
    found: str
    remedy: ClassVar[str] = "Get the list from the works anew, and name its root or station certificate with --root."

    def sentence(self) -> str:
        return f"{self.path} is no list of withdrawn documents that counts here: {self.found}."


@dataclass(eq=False)
class DocumentStrayError(BenchError):
    """A file lies under the name of a document that the records do not know."""

    number: str
    path: str
    remedy: ClassVar[str] = (
        "Move the file out of the folder and keep it, then try again. Nothing was signed or written."
    )

    def sentence(self) -> str:
        return f"Document {self.number} cannot be issued: {self.path} lies there, and the records know nothing of it."


@dataclass(eq=False)
class DocumentNotWrittenError(BenchError):
    """A document was not put in place."""

    path: str
    found: str
    remedy: ClassVar[str] = "The record is safe; correct what is named and run 'testbench certificate issue' again."

    def sentence(self) -> str:
        return f"Document {self.path} was not written: {self.found}."


@dataclass(eq=False)
class NothingToIssueError(BenchError):
    """Documents were asked for of an order for which nothing was tested."""

    order: str
    home: str
    remedy: ClassVar[str] = "Check the order number; 'testbench order board' shows how each order stands."

    def sentence(self) -> str:
        return f"The records in {self.home} hold no closed run for order {self.order}."


@dataclass(eq=False)
class ShiftNotOverError(BenchError):
    """A shift was to be summed up before it was over."""

    until: str
    latest: str
    remedy: ClassVar[str] = "Give --until a time that is past, or the same command again when the shift is over."

    def sentence(self) -> str:
        return f"The shift ends at {self.until}, which is to come; runs up to {self.latest} can be summed up."


@dataclass(eq=False)
class BatchEndedError(BenchError):
    """A process that wrote documents was ended from outside."""

    order: str
    issued: int
    remedy: ClassVar[str] = "Give the same command again; it goes on where this one ended."

    def sentence(self) -> str:
        return f"A process that wrote documents of order {self.order} was ended; {self.issued} were issued until then."


# Nonconformities and recalls --------------------------------------------------------------------


@dataclass(eq=False)
class NonconformityStepError(BenchError):
    """An entry may not follow as the nonconformity stands."""

    number: str
    step: str
    standing: str
    allowed: tuple[str, ...]
    remedy: ClassVar[str] = "Look at 'testbench nonconformity show' and enter what comes next; nothing was entered."

    def sentence(self) -> str:
        allowed = ", ".join(self.allowed) or "nothing more"
        return f"Nonconformity {self.number} cannot be {self.step}: it stands as '{self.standing}'; allowed: {allowed}."


@dataclass(eq=False)
class NonconformityUnknownError(BenchError):
    """There is no nonconformity of this number."""

    number: str
    where: str
    remedy: ClassVar[str] = "'testbench nonconformity list' shows the numbers."

    def sentence(self) -> str:
        return f"There is no nonconformity {self.number} in {self.where}."


@dataclass(eq=False)
class NonconformityOpenError(BenchError):
    """A run has its nonconformity already."""

    run: str
    number: str
    remedy: ClassVar[str] = "Add a note to it: 'testbench nonconformity note'."

    def sentence(self) -> str:
        return f"Run {self.run} has the nonconformity {self.number} already."


@dataclass(eq=False)
class EntryRefusedError(BenchError):
    """What was to be entered is incomplete or cannot be read."""

    what: str
    found: str
    remedy: ClassVar[str] = "Correct what is named and enter it again; nothing was entered."

    def sentence(self) -> str:
        return f"The {self.what} is not entered: {self.found}."


@dataclass(eq=False)
class SerialScrappedError(BenchError):
    """A scrapped valve is tested no more."""

    serial: str
    number: str
    remedy: ClassVar[str] = "Read the serial number on the valve again; what replaces a scrapped valve gets a new one."

    def sentence(self) -> str:
        return f"Serial number {self.serial} was scrapped (nonconformity {self.number}); it is tested no more."


@dataclass(eq=False)
class SerialConcededError(BenchError):
    """A valve that goes by concession is not tested again."""

    serial: str
    number: str
    remedy: ClassVar[str] = "Where it is to be reworked after all, enter that: 'testbench nonconformity dispose'."

    def sentence(self) -> str:
        return f"Serial number {self.serial} was conceded as it is (nonconformity {self.number}); no rework is entered."


@dataclass(eq=False)
class SerialUndecidedError(BenchError):
    """Nobody has decided what becomes of a rejected valve."""

    serial: str
    number: str
    run: str
    remedy: ClassVar[str] = "Have a reviewer or engineer decide: 'testbench nonconformity dispose'."

    def sentence(self) -> str:
        return (
            f"Serial number {self.serial} was found nonconforming in run {self.run}; nonconformity {self.number} has "
            "no disposition yet."
        )


@dataclass(eq=False)
class ReworkMissingError(BenchError):
    """A valve that is to be reworked has no rework entered."""

    serial: str
    number: str
    remedy: ClassVar[str] = "Enter what was done and what was disturbed: 'testbench nonconformity rework'."

    def sentence(self) -> str:
        return f"Serial number {self.serial} is to be reworked (nonconformity {self.number}); no rework is entered yet."


@dataclass(eq=False)
class ShellTestMissingError(BenchError):
    """A rework disturbed the shell, and the procedure would not test it again."""

    serial: str
    number: str
    procedure: str
    remedy: ClassVar[str] = "Put the valve on a procedure with a shell test."

    def sentence(self) -> str:
        return (
            f"The rework of serial number {self.serial} (nonconformity {self.number}) disturbed its shell, and "
            f"procedure {self.procedure} has no shell test."
        )


@dataclass(eq=False)
class AttachmentRefusedError(BenchError):
    """A file cannot be attached."""

    path: str
    found: str
    remedy: ClassVar[str] = "Name an ordinary file within the limit that bench.toml sets; nothing was attached."

    def sentence(self) -> str:
        return f"{self.path!r} is not attached: {self.found}."


@dataclass(eq=False)
class AttachmentUnknownError(BenchError):
    """A nonconformity has no attachment of this number."""

    number: str
    attachment: int
    there: int
    remedy: ClassVar[str] = "'testbench nonconformity show' lists the attachments."

    def sentence(self) -> str:
        return f"Nonconformity {self.number} has no attachment {self.attachment}; it has {self.there}."


@dataclass(eq=False)
class AttachmentDamagedError(BenchError):
    """The content of an attachment is not what was attached."""

    number: str
    attachment: int
    remedy: ClassVar[str] = "Walk the ledger ('testbench ledger verify') and bring the records back from a backup."

    def sentence(self) -> str:
        return f"Attachment {self.attachment} of nonconformity {self.number} does not match its SHA-256."


@dataclass(eq=False)
class ExportRefusedError(BenchError):
    """An attachment was not written to a file."""

    path: str
    found: str
    remedy: ClassVar[str] = "Name another file; nothing was written."

    def sentence(self) -> str:
        return f"{self.path} is not written: {self.found}."


@dataclass(eq=False)
class RecallEmptyError(BenchError):
    """Nothing rests on what is to be recalled."""

    of: str
    subject: str
    found: str
    remedy: ClassVar[str] = (
        "If that is what was meant, nothing needs recalling; else see 'testbench calibration list' or 'procedure list'."
    )

    def sentence(self) -> str:
        return f"The {self.of} {self.subject} recalls nothing: {self.found}."


@dataclass(eq=False)
class RecallUnknownError(BenchError):
    """There is no recall of this number."""

    number: str
    remedy: ClassVar[str] = "'testbench recall list' shows the numbers."

    def sentence(self) -> str:
        return f"There is no recall {self.number}."


@dataclass(eq=False)
class RecallLiftedError(BenchError):
    """A recall was lifted already."""

    number: str
    by: str
    at: str
    remedy: ClassVar[str] = "There is nothing left to lift."

    def sentence(self) -> str:
        return f"Recall {self.number} was lifted already, by {self.by} on {self.at[:10]}."


@dataclass(eq=False)
class RunRecalledError(BenchError):
    """A recalled run is not released, and gets no certificate."""

    run: str
    recalls: tuple[str, ...]
    refused: str = "cannot be released"
    remedy: ClassVar[str] = "Test the valve again, or have an engineer lift the recall with its reason."

    def sentence(self) -> str:
        return f"Run {self.run} {self.refused}: it is recalled by {', '.join(self.recalls)}."


@dataclass(eq=False)
class RecalledInUseError(BenchError):
    """No run begins on a calibration or under a procedure that is recalled."""

    what: str
    number: str
    why: str
    remedy: ClassVar[str] = (
        "Calibrate the instrument again, or adopt another revision of the procedure or this one anew; or have an "
        "engineer lift the recall with its reason."
    )

    def sentence(self) -> str:
        return f"{self.what} is recalled by {self.number}: {self.why.rstrip('.')}."


@dataclass(eq=False)
class RunNonconformingError(BenchError):
    """A run that has a nonconformity is not released, and gets no certificate."""

    run: str
    number: str
    refused: str = "cannot be released"
    remedy: ClassVar[str] = "Release the run of its retest; a valve that goes by concession goes without a release."

    def sentence(self) -> str:
        return f"Run {self.run} {self.refused}: it has the nonconformity {self.number}."


@dataclass(eq=False)
class SerialNeverSeenError(BenchError):
    """Nothing is known of a serial number."""

    serial: str
    where: str
    remedy: ClassVar[str] = "Read the number on the valve again; 'testbench order list' and 'history --serial' help."

    def sentence(self) -> str:
        return f"Serial number {self.serial} stands on no order and in no run in {self.where}."


# Rig --------------------------------------------------------------------------------------------


@dataclass(eq=False)
class RigCommandError(BenchError):
    """The simulated rig was told something it cannot do."""

    found: str
    allowed: str
    remedy: ClassVar[str] = "Send one of the rig's commands."

    def sentence(self) -> str:
        return f"The rig does not understand {self.found}; it knows {self.allowed}."


@dataclass(eq=False)
class RigBusyError(BenchError):
    """The simulated rig was told something that a careful person would not do now."""

    doing: str
    state: str
    remedy: ClassVar[str] = "Bring the rig into the right state first, then send the command again."

    def sentence(self) -> str:
        return f"The rig does not {self.doing}: {self.state}."


@dataclass(eq=False)
class RigNotRunningError(BenchError):
    """No simulated rig answers on this control socket."""

    control: str
    remedy: ClassVar[str] = "Start it with 'testbench rig --control PATH'."

    def sentence(self) -> str:
        return f"No simulated rig answers on {self.control}."


@dataclass(eq=False)
class RigStartFailedError(BenchError):
    """The simulated rig cannot make its port, control socket or clock file."""

    place: str
    found: str
    remedy: ClassVar[str] = "Name a free path in a folder that can be written, or a free port of this machine."

    def sentence(self) -> str:
        return f"The simulated rig cannot use {self.place}: {self.found}."
