"""What was planned: a site, its cameras, what each must see, and the parts that each is mounted on."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import Literal

from audit.lens import Lens

__all__ = [
    "PURPOSE_PX_PER_M",
    "Camera",
    "Form",
    "Landmark",
    "MountChain",
    "Night",
    "Purpose",
    "Setting",
    "Site",
    "Surface",
    "Target",
    "WaitingCamera",
    "bare_id",
]

_NO_MARK = re.compile(r"[\W_]+")

Form = Literal["bullet", "dome", "turret", "fisheye", "multi-sensor", "ptz", "box"]
Surface = Literal["wall", "pole", "corner", "soffit", "hard ceiling", "tile ceiling", "parapet"]
Setting = Literal["indoor", "outdoor"]
Night = Literal["none", "infrared", "white light"]
Purpose = Literal["monitor", "detect", "observe", "recognise", "identify", "inspect"]

#: Pixel density on the object plane, px/m, of IEC 62676-4:2014 (withdrawn 2025; most plans still use it).
#: Source: shared secondary table on DIN EN 62676-4, checked against the 0.16 m face rule of the same table.
PURPOSE_PX_PER_M: dict[str, float] = {
    "monitor": 12.5,
    "detect": 25.0,
    "observe": 62.5,
    "recognise": 125.0,
    "identify": 250.0,
    "inspect": 1000.0,
}


@dataclass(frozen=True, slots=True)
class MountChain:
    """Parts from the structure outwards to the camera, as the plan names them."""

    parts: tuple[str, ...]

    def __str__(self) -> str:
        return " > ".join(self.parts)


@dataclass(frozen=True, slots=True)
class Target:
    """Something a camera must see.

    Attributes
    ----------
    name : str
        Name, unique within its camera.
    east_m, north_m, up_m : float
        Position in the site's local metres; up 0 is the ground at the origin.
    required_px_per_m : float or None
        Pixel density needed on a plane facing the camera; None where the plan asks for none.
    purpose : str or None
        The plan's label for that density.
    position_sd_m : float or None
        One standard deviation of each coordinate of the place; None where the plan gives none.
    extra : tuple of (column, text)
        Columns of the plan that the program does not know, kept and shown.
    """

    name: str
    east_m: float
    north_m: float
    up_m: float
    required_px_per_m: float | None = None
    purpose: str | None = None
    extra: tuple[tuple[str, str], ...] = ()
    position_sd_m: float | None = None


@dataclass(frozen=True, slots=True)
class Landmark:
    """A place of the site that can be pointed out in pictures: a post, a corner of a house, a manhole.

    Attributes
    ----------
    landmark : str
        Name, unique within the plan.
    east_m, north_m, up_m : float
        Position in the site's local metres; ``up_m`` None where the plan gives no height.
    position_sd_m : float or None
        One standard deviation of each coordinate; None where the plan gives none.
    floor : str
        Where the plan tells floors apart.
    extra : tuple of (column, text)
        Columns of the plan that the program does not know, kept and shown.
    """

    landmark: str
    east_m: float
    north_m: float
    up_m: float | None
    position_sd_m: float | None = None
    floor: str = ""
    extra: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Camera:
    """One planned camera.

    Attributes
    ----------
    camera : str
        Unique id in the plan.
    east_m, north_m, height_m : float
        Lens position in local metres; ``height_m`` above the ground below the camera.
    bearing_deg, pitch_deg, roll_deg : float
        Planned pose, conventions of :mod:`audit.frames`.
    lens : Lens
        Image size and angle of view.
    ground_up_m : float
        Level of the ground below the camera above the ground at the origin.
    position_sd_m : float or None
        One standard deviation of each coordinate of the lens; None where the plan gives none.
    form_detail, surface_detail : str
        The plan's finer name (``pendant dome``, ``brick wall``), empty where it gave the plain one.
    extra : tuple of (column, text)
        Columns of the plan that the program does not know, kept and shown.
    row : int or None
        Row in the plan file, for messages.
    """

    camera: str
    east_m: float
    north_m: float
    height_m: float
    bearing_deg: float
    pitch_deg: float
    lens: Lens
    roll_deg: float = 0.0
    name: str = ""
    floor: str = ""
    ground_up_m: float = 0.0
    form: Form | None = None
    form_detail: str = ""
    surface: Surface | None = None
    surface_detail: str = ""
    setting: Setting | None = None
    mount: MountChain = MountChain(())
    serial: str = ""
    night: Night = "none"
    purpose: str | None = None
    targets: tuple[Target, ...] = ()
    extra: tuple[tuple[str, str], ...] = ()
    row: int | None = field(default=None, compare=False)
    position_sd_m: float | None = None

    @property
    def up_m(self) -> float:
        """Height of the lens above the ground at the site's origin."""
        return self.ground_up_m + self.height_m


@dataclass(frozen=True, slots=True)
class WaitingCamera:
    """A camera of the plan that can't be used before a person answers a question about its row.

    Attributes
    ----------
    camera : str
        Its id, or ``row 7`` where it has none.
    reasons : tuple of str
        What is asked, each with its cell.
    cells : tuple of (column, text)
        The row as the plan gives it, in the plan's own columns.
    targets : tuple of tuple of (column, text)
        Rows of its targets.
    row : int or None
        Row in the plan file, for messages.
    """

    camera: str
    reasons: tuple[str, ...]
    cells: tuple[tuple[str, str], ...] = ()
    targets: tuple[tuple[tuple[str, str], ...], ...] = ()
    row: int | None = field(default=None, compare=False)


def bare_id(text: str) -> str:
    """A serial number or a name as they are compared: without spaces, dashes and case."""
    return _NO_MARK.sub("", text).casefold()


@dataclass(frozen=True, slots=True)
class Site:
    """A plan: its cameras in file order, and where local metres start.

    Attributes
    ----------
    waiting : tuple of WaitingCamera
        Cameras of the plan that wait for an answer; nothing is matched to them or judged of them.
    origin_latitude, origin_longitude : float or None
        WGS 84 position of east 0, north 0; None where the plan gives local metres alone (then photos' GPS
        positions can't be used for matching).
    landmarks : tuple of Landmark
        Places that can be pointed out in pictures, in file order.
    """

    cameras: tuple[Camera, ...]
    name: str = ""
    origin_latitude: float | None = None
    origin_longitude: float | None = None
    file: str = ""
    landmarks: tuple[Landmark, ...] = ()
    waiting: tuple[WaitingCamera, ...] = ()
    _index: dict[str, int] = field(default_factory=dict, repr=False, compare=False)
    _owners: dict[str, set[str]] = field(default_factory=dict, repr=False, compare=False)

    def __post_init__(self) -> None:
        self._index.update({c.camera: i for i, c in enumerate(self.cameras)})
        for camera in self.cameras:
            if camera.serial and bare_id(camera.serial):
                self._owners.setdefault(bare_id(camera.serial), set()).add(camera.camera)

    def camera(self, camera: str) -> Camera:
        """The camera of that id; KeyError where the plan has none."""
        return self.cameras[self._index[camera]]

    @property
    def floors(self) -> list[str]:
        """The floors that cameras stand on, each once, in the order of their names."""
        return sorted({camera.floor for camera in self.cameras})

    def owner_of(self, serial: str | None) -> str | None:
        """The camera that a serial number is planned for; None where none is, or more than one."""
        owners = self._owners.get(bare_id(serial or ""), set())
        return next(iter(owners)) if len(owners) == 1 else None

    def __contains__(self, camera: object) -> bool:
        return camera in self._index
