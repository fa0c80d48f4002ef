"""What the commands print as JSON, one type a line; ``docs/json.md`` is made from these and from the types they name."""

from __future__ import annotations

from typing import Any, Literal

from typing_extensions import TypedDict  # the checker of the tests takes this one alone before Python 3.12

from audit.judge.finding import Check, Finding, Remedy, State
from audit.match.placement import Alternative, Decision, Role
from audit.measure.measurement import DirtCause

__all__ = [
    "AboutFile",
    "CollectLine",
    "CompareLine",
    "DrawingLine",
    "FilesFile",
    "FindingLine",
    "KnownPointLine",
    "MatchLine",
    "MeasureLine",
    "MethodsLine",
    "PointErrorLine",
    "ProgressLine",
    "RecordFile",
    "SettingsLine",
    "TripEndLine",
    "VerdictLine",
    "VerifyAnswerLine",
]

Polygon = list[tuple[float, float]]


class MeasureLine(TypedDict):
    """One picture, measured; every value but ``file`` and ``error`` is null where the file was refused.

    Attributes
    ----------
    file : str
        As it was given.
    width, height : int
        Pixels, after the orientation that the file tells is applied.
    hfov_deg, hfov_sd_deg, hfov_source : float, float, str
        Angle of view over the full width, and where it comes from.
    roll_deg, pitch_deg : float or None
        Of the camera, with one standard deviation; ``orientation_note`` says why not.
    bearing_deg : float or None
        Optical axis, clockwise from true north, with one standard deviation; ``bearing_note`` says why not.
    orientation_cues : list of str
        What carried the answer.
    sky_fraction : float or None
        Share of the picture that is open sky, 0..1; ``sky_note`` says why not.
    dirt_probability : float or None
        That something on the glass or the focus spoils the picture; ``dirt_note`` says why not.
    sharpness : float or None
        0 (nothing sharp) to 1 (as sharp as pixels allow).
    night : bool
        Grey picture under infrared or night gain.
    overlay_fraction : float or None
        Share of the picture that is burned in.
    upside_down_probability : float or None
        That the picture stands on its head.
    elapsed_ms : float
        Time that the measuring took.
    error : str or None
        Why the file could not be used.
    """

    file: str
    width: int | None
    height: int | None
    hfov_deg: float | None
    hfov_sd_deg: float | None
    hfov_source: Literal["given", "exif", "estimated", "assumed"] | None
    roll_deg: float | None
    roll_sd_deg: float | None
    pitch_deg: float | None
    pitch_sd_deg: float | None
    orientation_note: str | None
    bearing_deg: float | None
    bearing_sd_deg: float | None
    bearing_note: str | None
    orientation_cues: list[str] | None
    sky_fraction: float | None
    sky_sd: float | None
    sky_note: str | None
    dirt_probability: float | None
    dirt_cause: DirtCause | None
    dirt_note: str | None
    sharpness: float | None
    night: bool | None
    overlay_fraction: float | None
    upside_down_probability: float | None
    elapsed_ms: float | None
    error: str | None


class CompareLine(TypedDict):
    """Today's picture against the reference; every value is null where it could not be told, and ``note`` says why.

    Attributes
    ----------
    reference, today : str
        As they were given.
    same_view_probability : float or None
        That both show the same place from the same mount.
    pan_change_deg, pitch_change_deg, roll_change_deg : float or None
        Pose today minus pose of the reference: + is right, up, clockwise seen from behind; each with one standard deviation.
    contrast_ratio : float or None
        Local contrast today over the reference, with the light's change taken out.
    sharpness_ratio : float or None
        Sharpness today over the reference.
    soiled_fraction, blocked_fraction : float or None
        Share of the picture behind dirt, and hidden altogether, 0..1.
    zoom_ratio : float or None
        Focal length today over the reference's.
    dirt_probability, dirt_cause : float or None, str or None
        As in ``measure``.
    patches : list of polygons
        Outlines of soiled or hidden areas in today's picture, (x, y) in 0..1 of width and height.
    error : str or None
        Why a file could not be used.
    """

    reference: str
    today: str
    same_view_probability: float | None
    pan_change_deg: float | None
    pan_change_sd_deg: float | None
    pitch_change_deg: float | None
    pitch_change_sd_deg: float | None
    roll_change_deg: float | None
    roll_change_sd_deg: float | None
    contrast_ratio: float | None
    contrast_ratio_sd: float | None
    sharpness_ratio: float | None
    soiled_fraction: float | None
    soiled_fraction_sd: float | None
    blocked_fraction: float | None
    blocked_fraction_sd: float | None
    zoom_ratio: float | None
    zoom_ratio_sd: float | None
    dirt_probability: float | None
    dirt_cause: DirtCause | None
    note: str | None
    patches: list[Polygon] | None
    error: str | None


class MatchLine(TypedDict):
    """One photo put to a planned camera, or not.

    Attributes
    ----------
    camera : str or None
        Null where none was decided on.
    probability : float or None
        Of what was decided.
    group : str
        Photos that one answer of a person settles together share it.
    evidence : list of str
        Sentences, strongest first.
    error : str or None
        Why the file could not be used.
    """

    photo: str
    camera: str | None
    probability: float | None
    decision: Decision
    group: str
    alternatives: list[Alternative]
    role: Role
    evidence: list[str]
    error: str | None


class FindingLine(TypedDict):
    """One check of a camera.

    Attributes
    ----------
    why : str
        One sentence with the number and the consequence.
    measured, measured_sd, planned, limit : float or None
        In ``unit``; null where there is none.
    unit : str or None
        ``deg``, ``share``, ``probability``, ``px/m`` and the like.
    probability_bad : float or None
        That it is out of limits.
    remedy : str or None
        What to do, in one sentence; ``remedy_detail`` has it in parts.
    photo : str or None
        Photo that shows it.
    pair : str or None
        Exchanged with it: the camera whose pictures lie under this one's name.
    shared : list of str
        All cameras of an exchange; the finding is one for all of them.
    withheld : list of findings
        What each picture alone would say, held back until the exchange is settled.
    evidence : object
        What the desk draws; its keys differ from check to check and are not part of the contract.
    """

    check: Check
    state: State
    why: str
    measured: float | None
    measured_sd: float | None
    planned: float | None
    limit: float | None
    unit: str | None
    probability_bad: float | None
    remedy: str | None
    photo: str | None
    pair: str | None
    shared: list[str]
    withheld: list[Finding]
    evidence: dict[str, Any]
    remedy_detail: Remedy | None


class VerdictLine(TypedDict):
    """A camera's state and findings, worst first.

    Attributes
    ----------
    visit : int
        Number of the visit.
    state : str
        The worst of its findings.
    photos : list of str
        Photos that lie at the camera.
    """

    camera: str
    visit: int
    state: State
    findings: list[FindingLine]
    photos: list[str]


class ProgressLine(TypedDict):
    """How far a visit is, as the logbook keeps it.

    Attributes
    ----------
    placed, uncertain, unmatched : int
        Photos by decision; those taken in since are in none of them.
    snapshots, measured : int
        Placed pictures from cameras, and those of them that were measured.
    judged, cameras : int
        Cameras with a verdict, and cameras of the plan.
    writer : str or None
        Who writes the logbook now.
    """

    visit: int
    kind: str
    on: str
    photos: int
    refused: int
    placed: int
    uncertain: int
    unmatched: int
    snapshots: int
    measured: int
    judged: int
    cameras: int
    writer: str | None


class MethodsLine(TypedDict):
    """What two versions of the measuring measured in one photo.

    Attributes
    ----------
    old_method, new_method : str
        Keys of the two measurements.
    changes : object
        ``[old, new]`` of every single value that differs, by its dotted name.
    """

    photo: str
    old_method: str
    new_method: str
    changes: dict[str, list[Any]]


class CollectLine(TypedDict, total=False):
    """One camera that was asked for its picture; where its address can't be used only the first keys are there.

    Attributes
    ----------
    light : str
        ``day`` or ``night``.
    shot : str
        ``snapshot``, or ``turned``: taken while the camera was turned a little.
    at : str
        Time of the picture, ISO 8601 with offset.
    file : str or None
        Name of the picture in the visit's folder.
    reason : str or None
        Short code of why there is none.
    clock_offset_s : float or None
        The camera's clock less this machine's, with one standard deviation.
    error : str or None
        Why there is no picture, in one sentence.
    """

    camera: str
    address: str | None
    file: str | None
    reason: str | None
    error: str | None
    light: str | None
    shot: str | None
    at: str | None
    serial: str | None
    maker: str | None
    model: str | None
    firmware: str | None
    hardware_address: str | None
    name: str | None
    width_px: int | None
    height_px: int | None
    codec: str | None
    clock_offset_s: float | None
    clock_sd_s: float | None
    time_zone: str | None
    certificate: str | None


class KnownPointLine(TypedDict):
    """A place that was pointed out in a drawing.

    Attributes
    ----------
    name : str
        Camera, landmark, target or coordinates.
    column_px, row_px : float
        In the drawing.
    east_m, north_m : float
        On the site.
    off_m : float or None
        How far the placed drawing misses it; null with two points, which fit any drawing.
    """

    name: str
    column_px: float
    row_px: float
    east_m: float
    north_m: float
    off_m: float | None


class SettingsLine(TypedDict):
    """What a logbook keeps for all its visits.

    Attributes
    ----------
    package_language : str or None
        Language of its packages: ``en``, ``de`` or ``fr``; None where none was set.
    """

    package_language: str | None


class DrawingLine(TypedDict):
    """The site's own drawing under a floor.

    Attributes
    ----------
    floor : str
        Empty where the plan tells no floors apart.
    drawing : str
        Its file's name.
    visit : int or None
        From which on it counts; None: it waits for the next visit.
    width_px, height_px : int
        In which its pixels are counted.
    page : int
        Of a PDF.
    placed_by : str
        Its own coordinates, or known points.
    grid : str or None
        Of its coordinates.
    residual_m : float or None
        Root mean square distance of the known points; of coordinates, what one matrix can't follow.
    position_sd_m : float or None
        One standard deviation of a place at the drawing's worst corner, in each direction.
    metres_per_px : float
        Length of a pixel's side.
    turned_deg : float
        Bearing of the drawing's upward side, clockwise from true north.
    points : list of objects
        Known points.
    """

    floor: str
    drawing: str
    visit: int | None
    width_px: int
    height_px: int
    page: int
    placed_by: Literal["georeference", "points"]
    grid: str | None
    residual_m: float | None
    residual_note: str | None
    position_sd_m: float | None
    metres_per_px: float
    turned_deg: float
    points: list[KnownPointLine]


class PointErrorLine(TypedDict):
    """A row of a list of clicks that could not be taken."""

    camera: str
    landmark: str
    error: str


class TripEndLine(TypedDict):
    """The last line of ``trip``: what nobody has proved yet.

    Attributes
    ----------
    not_verified : list of objects
        Camera, check and the cheapest way to prove it.
    """

    not_verified: list[dict[str, Any]]


class VerifyAnswerLine(TypedDict):
    """The last line of ``verify``: whether anything changed, and whether it is known who signed.

    Attributes
    ----------
    what : str
        ``answer``; the lines before are problems.
    exit : int
        The command's exit code.
    signer : str or None
        Whether the signer is known.
    visit, signed_by, fingerprint, record_sha256 : int, str
        Of the last signed visit; null where nothing is signed.
    time_stamps : list of str
        What authorities say of when it existed.
    """

    what: Literal["answer"]
    exit: int
    problems: int
    signer: str | None
    visit: int | None
    signed_by: str | None
    fingerprint: str | None
    record_sha256: str | None
    time_stamps: list[str]
    message: str | None


class AboutFile(TypedDict):
    """What a package is.

    Attributes
    ----------
    format : str
        ``photo-audit package``.
    logbook : str
        Identity of the logbook (UUID).
    version : str
        Of the program that wrote it.
    signed, private : bool
        Whether the visit is signed; whether positions and faces were taken out.
    files : list of str
        What was written beside it.
    """

    format: str
    logbook: str
    visit: int
    kind: Literal["commissioning", "maintenance"]
    on: str
    version: str
    signed: bool
    private: bool
    files: list[str]


class FilesFile(TypedDict):
    """SHA-256 of every file of a package, by its path; ``files.sig`` is the signature over it.

    Attributes
    ----------
    record_sha256 : str
        Of the record that the package belongs to.
    """

    format: str
    record_sha256: str
    files: dict[str, str]


class RecordFile(TypedDict):
    """A signed visit, canonical JSON by RFC 8785; ``record.sig`` is the Ed25519 signature over it.

    Every section but the first seven holds the SHA-256 of one row each by the row's name; ``content.json`` holds the rows
    themselves under the same names.

    Attributes
    ----------
    format : str
        Which form of the record it is.
    visit : object
        Number, kind, day, times, who signed, limits.
    previous : object or None
        Visit and record's hash of the signed visit before.
    key : object
        Algorithm, fingerprint and how the private key is kept.
    """

    format: str
    program: dict[str, Any]
    logbook: dict[str, Any]
    visit: dict[str, Any]
    previous: dict[str, Any] | None
    key: dict[str, Any]
    plan: dict[str, Any]
    photos: dict[str, str]
    images: dict[str, str]
    refusals: dict[str, str]
    measurements: dict[str, str]
    comparisons: dict[str, str]
    series: dict[str, str]
    devices: dict[str, str]
    placements: dict[str, str]
    answers: dict[str, str]
    verdicts: dict[str, str]
    decisions: dict[str, str]
    points: dict[str, str]
    drawings: dict[str, str]
    pairings: dict[str, str]
    references: dict[str, str]
    choices: dict[str, str]
    plans: dict[str, str]
