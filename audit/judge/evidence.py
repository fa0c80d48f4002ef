"""What is known of one camera when it is judged."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from audit.errors import PlanProblem
from audit.judge.bracket import BracketSeen
from audit.judge.written import SiteTime, Written
from audit.match.placement import Placement
from audit.measure.measurement import Clarity, ImageMeasurement, Orientation, ViewChange
from audit.photos.device import DeviceFacts
from audit.plan.model import Landmark

__all__ = ["NOTHING_ELSE", "CameraEvidence", "Comparison", "DeviceKnown", "Doubt", "Exchange", "Pointed", "ShownBearing", "Snapshot"]


@dataclass(frozen=True, slots=True)
class Snapshot:
    """A picture that the camera itself took, with what was measured in it.

    Attributes
    ----------
    width_px, height_px : int
        Of the original file after orientation.
    night : bool
        Taken in the dark, under infrared or white light.
    turned : bool
        A person says that the picture stands on its head or on its side; its pose and sky count as not measured.
    """

    photo: str
    sha256: str
    width_px: int
    height_px: int
    taken_at: datetime | None
    night: bool
    measured: ImageMeasurement
    turned: bool = False


@dataclass(frozen=True, slots=True)
class Comparison:
    """A snapshot against the signed reference of the same camera and the same time of day.

    ``glass_verified`` is whether the reference's glass was seen clean.
    """

    reference: str
    photo: str
    night: bool
    change: ViewChange
    glass_verified: bool = True


@dataclass(frozen=True, slots=True)
class Pointed:
    """A thing of the plan seen in one of the camera's own pictures, by a person's click or by its board.

    Attributes
    ----------
    place : Landmark or None
        Where the plan puts it; None where the plan no longer has it.
    at_px : (column, row) or None
        In the picture's full size; None: a person says that it is not in the picture.
    size_px : (width, height)
        Of that picture.
    confirmed : bool
        The person said that the mark drawn there lies on it.
    by_board : bool
        Read by itself from the board that hangs there, with ``px_per_m`` measured at it.
    """

    landmark: str
    place: Landmark | None
    photo: str
    at_px: tuple[float, float] | None
    size_px: tuple[int, int]
    by: str = ""
    confirmed: bool = False
    by_board: bool = False
    px_per_m: float | None = None
    px_per_m_sd: float | None = None


@dataclass(frozen=True, slots=True)
class ShownBearing:
    """The bearing of a signed reference, as it was shown in that visit."""

    bearing_deg: float
    bearing_sd_deg: float
    visit: int


@dataclass(frozen=True, slots=True)
class Exchange:
    """Cameras whose pictures lie under each other's name.

    Attributes
    ----------
    cameras : tuple of str
        A pair or a longer cycle: what lies under each name comes from the next camera, the last's from the first.
    evidence : tuple of str
        Sentences that say why.
    certain : bool
        Identity is proved for every one of them (serial numbers, signed references); else a person looks.
    probability : float
        Of the exchange against a fault of each camera's own, 0..1.
    """

    cameras: tuple[str, ...]
    evidence: tuple[str, ...]
    certain: bool
    probability: float

    def source_of(self, camera: str) -> str:
        """The camera whose pictures lie under that name."""
        return self.cameras[(self.cameras.index(camera) + 1) % len(self.cameras)]


@dataclass(frozen=True, slots=True)
class Doubt:
    """A camera that may be exchanged with others, too unsure to name it and too likely to climb for.

    Attributes
    ----------
    partners : tuple of str
        The likeliest cameras whose pictures may lie under its name, the likeliest first.
    probability : float
        That it is exchanged with any camera at all.
    """

    partners: tuple[str, ...]
    probability: float


@dataclass(frozen=True, slots=True)
class DeviceKnown:
    """What is known of a serial besides the plan.

    Attributes
    ----------
    before : str or None
        The serial that this camera's device told when it was last asked in an earlier visit.
    visit : int
        That visit.
    others : tuple of str
        Cameras whose devices told the same serial in this visit.
    """

    before: str | None = None
    visit: int = 0
    others: tuple[str, ...] = ()


NOTHING_ELSE = DeviceKnown()


@dataclass(frozen=True, slots=True)
class CameraEvidence:
    """All that a visit brought for one camera.

    Attributes
    ----------
    placements : tuple of Placement
        Photos placed at this camera.
    uncertain : int
        Photos that may be this camera's but wait for a person.
    snapshots : tuple of Snapshot
        Day first, then night, best first.
    orientation : Orientation or None
        All day snapshots together.
    series : Clarity or None
        What stays on the glass over several snapshots, where there are enough.
    comparisons : tuple of Comparison
    reference_orientation : Orientation or None
        What was measured in the signed day reference that the comparisons look at.
    by_lens : tuple of Orientation
        The best day snapshot measured with lenses of other cameras, and with none given (then its lens is
        ``estimated``); where something speaks against the camera's own plan.
    exchange : Exchange or None
        The exchange that this camera is part of.
    device : DeviceFacts or None
        What the camera said of itself in this visit.
    no_picture : str or None
        Why the camera gave no picture when it was asked.
    device_owner : str or None
        The camera that the serial which the device told is planned for.
    device_known : DeviceKnown
        What else is known of that serial.
    doubt : Doubt or None
        What keeps single repairs back although no exchange is named.
    maintenance : bool
        A maintenance visit: the camera's own pictures are wanted, the crew's shots of the mounting are not asked for again.
    pointed : tuple of Pointed
        Things of the plan seen in the camera's own pictures of this visit.
    reference_bearing : ShownBearing or None
        What was shown of the signed day reference's bearing.
    can_point : bool
        Whether the plan has anything that could be pointed out.
    hints : tuple of str
        What speaks against the planned bearing without proving it, a sentence each.
    crew_bearings_deg : tuple of float
        True bearings of the crew's phones in the photos of the camera.
    board_notes : tuple of str
        What is to be said of boards that could not be used.
    written : tuple of Written
        What is burnt into the camera's own pictures.
    site_time : SiteTime
        What is known of time over the whole site.
    plan_errors : tuple of PlanProblem
        What the plan check calls an error about this camera.
    brackets : tuple of BracketSeen
        What the close-ups of its bracket show by their look.
    """

    placements: tuple[Placement, ...] = ()
    uncertain: int = 0
    snapshots: tuple[Snapshot, ...] = ()
    orientation: Orientation | None = None
    series: Clarity | None = None
    comparisons: tuple[Comparison, ...] = ()
    reference_orientation: Orientation | None = None
    by_lens: tuple[Orientation, ...] = ()
    exchange: Exchange | None = None
    maintenance: bool = False
    device: DeviceFacts | None = None
    no_picture: str | None = None
    device_owner: str | None = None
    device_known: DeviceKnown = NOTHING_ELSE
    doubt: Doubt | None = None
    pointed: tuple[Pointed, ...] = ()
    reference_bearing: ShownBearing | None = None
    can_point: bool = True
    hints: tuple[str, ...] = ()
    board_notes: tuple[str, ...] = ()
    crew_bearings_deg: tuple[float, ...] = ()
    written: tuple[Written, ...] = ()
    site_time: SiteTime = SiteTime()
    plan_errors: tuple[PlanProblem, ...] = ()
    brackets: tuple[BracketSeen, ...] = ()

    @property
    def day(self) -> Snapshot | None:
        """The best day snapshot."""
        return next((s for s in self.snapshots if not s.night), None)

    @property
    def night(self) -> Snapshot | None:
        """The best night snapshot."""
        return next((s for s in self.snapshots if s.night), None)
