"""The columns of a plan, once: reader, writer, template, the page on plan files and messages all come from here.

A column has its name, what it accepts, where it stands in the model, what it means, and the titles that people give
it in English, German, French, Spanish and Italian.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any, Literal

from audit.plan.measures import Choice, Day, Finer, Kind, Measure, Pair, Text
from audit.plan.model import PURPOSE_PX_PER_M, Camera, Landmark, Target
from audit.plan.table import Cell

__all__ = [
    "CAMERAS",
    "DENSITY",
    "LANDMARKS",
    "LATITUDE",
    "LONGITUDE",
    "OPTIONAL",
    "PITCH",
    "POSITION",
    "POSITION_SD",
    "PURPOSE_WORDS",
    "TARGETS",
    "UP",
    "Column",
    "TableWord",
    "by_key",
    "columns_of",
    "level_named",
]

#: Columns beyond the plan's own that checks and judge read; they are kept as they are.
OPTIONAL = (
    "agreed_bearing_deg", "agreed_pitch_deg", "agreed_roll_deg", "agreed_note", "infrared_range_m", "weight_kg", "thread",
)  # fmt: skip

TableWord = Literal["cameras", "targets", "landmarks"]

LATITUDE = Measure("deg", -90, 90, sort="latitude")
LONGITUDE = Measure("deg", -180, 180, sort="longitude")
POSITION = Measure("m", -100_000, 100_000)
UP = Measure("m", -1000, 9000)
#: How well a drawing or a survey gives a place.
POSITION_SD = Measure("m", 0, 100)
PITCH = Measure("deg", -90, 90, sort="pitch")
DENSITY = Measure("px/m", 0, 100_000, above=True)
_HEIGHT = Measure("m", 0, 200, above=True)
_BEARING = Measure("deg", 0, 360, sort="bearing")
_ROLL = Measure("deg", -180, 180, sort="roll")
_PIXELS = Measure("px", 16, 65_535, whole=True)
_PRINCIPAL = Measure("px", 0, 65_535)
_TERM = Measure("", -10, 10)

_FORM = Finer("forms", ("bullet", "dome", "turret", "fisheye", "multi-sensor", "ptz", "box"))
_SURFACE = Finer("surfaces", ("wall", "pole", "corner", "soffit", "hard ceiling", "tile ceiling", "parapet"))
_SETTING = Choice(
    ("indoor", "outdoor"),
    {
        **dict.fromkeys(
            "int in indoors inside interior internal innen innenbereich drinnen intérieur interno interior".split(),
            "indoor",
        ),
        **dict.fromkeys(
            "ext out outdoors outside exterior external außen aussen aussenbereich außenbereich draussen draußen extérieur esterno".split(),
            "outdoor",
        ),
    },
)
_NIGHT = Choice(
    ("none", "infrared", "white light"),
    {
        **dict.fromkeys(("ir", "ir led", "infrarot", "infrarouge", "infrarrojo", "infrarosso", "ir light"), "infrared"),
        **dict.fromkeys(
            (
                "no",
                "off",
                "keine",
                "kein",
                "nein",
                "aucun",
                "non",
                "ninguna",
                "ninguno",
                "nessuna",
                "nessuno",
                "day only",
            ),
            "none",
        ),
        **dict.fromkeys(
            (
                "white",
                "visible",
                "led",
                "weisslicht",
                "weißlicht",
                "lumière blanche",
                "luz blanca",
                "luce bianca",
                "white led",
            ),
            "white light",
        ),
    },
)
_PROJECTION = Choice(
    ("rectilinear", "equidistant"),
    {
        "pinhole": "rectilinear",
        "perspective": "rectilinear",
        "normal": "rectilinear",
        "fisheye": "equidistant",
        "fischauge": "equidistant",
    },
)

#: Other words for the purposes; *perceive* and *characterise* are the levels of the same densities, 125 and 250 px/m, in
#: the 2025 edition of IEC 62676-4 (from memory).
PURPOSE_WORDS: dict[str, str] = {
    **dict.fromkeys(
        "monitoring überwachen überwachung surveiller surveillance monitorizar monitoraggio monitorare".split(),
        "monitor",
    ),
    **dict.fromkeys(
        "detection detektieren detektion détecter détection detectar detección rilevamento rilevare".split(), "detect"
    ),
    **dict.fromkeys(
        "observation observing beobachten beobachtung observer observar observación osservazione osservare".split(),
        "observe",
    ),
    **dict.fromkeys(
        "recognition recognize recognising erkennen erkennung wiedererkennen reconnaître reconnaissance reconocer "
        "reconocimiento riconoscimento riconoscere perceive".split(),
        "recognise",
    ),
    **dict.fromkeys(
        "identification identifying identifizieren identifizierung identifikation identifier identificar identificación "
        "identificazione identificare characterise characterize".split(),
        "identify",
    ),
    **dict.fromkeys(
        "inspection inspizieren inspecter inspeccionar inspección ispezione ispezionare überprüfen".split(), "inspect"
    ),
}


def level_named(text: str) -> str | None:
    """The purpose that a text names (``recognition level``, ``Identifizieren``), None where it is free text."""
    word = " ".join(text.lower().split())
    for end in (" level", " ebene", " stufe", " quality"):
        word = word.removesuffix(end)
    word = PURPOSE_WORDS.get(word, word)
    return word if word in PURPOSE_PX_PER_M else None


@dataclass(frozen=True, slots=True)
class Column:
    """One column.

    Attributes
    ----------
    key : str
        Name in the plan, with its unit.
    kind : Kind
        How its cells are read.
    meaning : str
        What it is, for the page and the template.
    titles : tuple of str
        Other titles, by language (English, German, French, Spanish, Italian), parted by ``|``.
    example : Cell
        For the template.
    write : callable or None
        The value in the model; None where a place or the site gives it.
    asked : bool
        Whether the template shows it.
    """

    key: str
    kind: Kind
    meaning: str
    titles: tuple[str, str, str, str, str] = ("", "", "", "", "")
    example: Cell = None
    write: Callable[[Any], Cell] | None = None
    asked: bool = False


def _camera(get: Callable[[Camera], Cell]) -> Callable[[Any], Cell]:
    return get


def _landmark(get: Callable[[Landmark], Cell]) -> Callable[[Any], Cell]:
    return get


def _target(get: Callable[[Target], Cell]) -> Callable[[Any], Cell]:
    return get


_LAT_TITLES = (
    "lat|latitude|y wgs84|lat gps|gps lat",
    "geographische breite|geogr breite|geo breite|breitengrad|breite",
    "latitude|lat",
    "latitud|lat",
    "latitudine|lat",
)
_LON_TITLES = (
    "lon|long|lng|longitude|x wgs84|gps lon|gps long",
    "geographische lange|geogr lange|geo lange|langengrad|lange",
    "longitude|long",
    "longitud|long",
    "longitudine|long",
)
_EAST_TITLES = (
    "east|easting|eastings|x|x coordinate|e|position x|x pos|x local|local x",
    "ost|ostwert|rechtswert|x koordinate|ostung|rechts",
    "est|coordonnee x|x",
    "este|coordenada x|x",
    "est|coordinata x|x",
)
_NORTH_TITLES = (
    "north|northing|northings|y|y coordinate|n|position y|y pos|y local|local y",
    "nord|nordwert|hochwert|y koordinate|hoch",
    "nord|coordonnee y|y",
    "norte|coordenada y|y",
    "nord|coordinata y|y",
)
_UP_TITLES = ("up|z|height|level|height above ground", "hohe|z|hohe uber boden", "hauteur|z", "altura|z", "altezza|z")

CAMERAS: tuple[Column, ...] = (
    Column(
        "camera",
        Text("a unique id"),
        "unique id; required",
        (
            "camera id|camera no|camera number|camera ref|camera reference|camera tag|cam|cam id|cam no|id|tag|ref|device id|cctv no|cctv ref|no|nr|n°|device|asset tag|asset|item|item no|unit id|code|camera code|camera label",
            "kamera|kamera id|kamera nr|kameranummer|kamerakennung|kennung|kennzeichen|nr|nummer|geratekennung|gerate id|kurzzeichen|kamerabezeichnung id|bezeichnung id|kamerakurzzeichen|betriebsmittelkennzeichen|bmk|aks",
            "camera|id camera|camera no|no camera|numero de camera|numero camera|repere|identifiant|n° camera|n°|repere camera",
            "camara|id camara|camara no|numero de camara|identificador|no camara|num camara|n°",
            "telecamera|id telecamera|telecamera no|numero telecamera|codice telecamera|identificativo|videocamera|n°",
        ),
        "CAM-01",
        _camera(lambda c: c.camera),
        True,
    ),
    Column(
        "name",
        Text(),
        "what people call it",
        (
            "camera name|description|location name|location|place name|position name|camera location|location description|position description",
            "name|bezeichnung|beschreibung|standort|einbauort|montageort|kameraname|kamerabezeichnung|ort|lage",
            "nom|designation|emplacement|description|lieu",
            "nombre|denominacion|ubicacion|descripcion|lugar",
            "nome|denominazione|ubicazione|descrizione|luogo|posizione",
        ),
        "Main gate",
        _camera(lambda c: c.name or None),
        True,
    ),
    Column("latitude", LATITUDE, "WGS 84 degrees, south negative", _LAT_TITLES, 46.500036, None, True),
    Column("longitude", LONGITUDE, "WGS 84 degrees, west negative", _LON_TITLES, -17.999922, None, True),
    Column(
        "east_m",
        POSITION,
        "local metres from the site's origin. One kind of position is required; where both are given the origin is chosen "
        "so that they agree, and a row that is more than 3 m off is a warning",
        _EAST_TITLES,
        None,
        None,
        True,
    ),
    Column("north_m", POSITION, "local metres from the site's origin", _NORTH_TITLES, None, None, True),
    Column(
        "position_sd_m",
        POSITION_SD,
        "how well the drawing gives the lens's place: one standard deviation of each coordinate (empty: 0.3 m, or what the "
        "limits file says of the drawing)",
        write=_camera(lambda c: c.position_sd_m),
    ),
    Column(
        "floor",
        Text(),
        "floor or level",
        (
            "storey|story|level|floor level",
            "geschoss|etage|stockwerk|ebene",
            "etage|niveau",
            "planta|piso|nivel",
            "piano|livello",
        ),
        "0",
        _camera(lambda c: c.floor or None),
        True,
    ),
    Column(
        "height_m",
        _HEIGHT,
        "lens above the ground below it; required",
        (
            "height|mounting height|mount height|installation height|install height|height above ground|height above floor|height agl|lens height|camera height|h|z|height to lens|mounting elevation|elevation above ground|elevation above floor|mount ht|ht",
            "hohe|montagehohe|einbauhohe|installationshohe|anbringungshohe|hohe uber boden|hohe uber grund|hohe uber gelande|kamerahohe|h",
            "hauteur|hauteur de pose|hauteur de montage|hauteur d installation|hauteur sol|hauteur au sol",
            "altura|altura de montaje|altura de instalacion|altura sobre el suelo",
            "altezza|altezza di montaggio|altezza di installazione|altezza da terra|quota di montaggio",
        ),
        3.2,
        _camera(lambda c: c.height_m),
        True,
    ),
    Column(
        "ground_up_m",
        UP,
        "that ground above the ground at the origin (0)",
        (
            "ground level|ground height|ground elevation|ground|terrain height|terrain level|terrain",
            "gelandehohe|gelande|gok|bodenhohe|grundhohe",
            "niveau du terrain|terrain|altitude du terrain|niveau sol",
            "cota del terreno|nivel del terreno|terreno",
            "quota terreno|quota del terreno|terreno",
        ),
        None,
        _camera(lambda c: c.ground_up_m or None),
    ),
    Column(
        "bearing_deg",
        _BEARING,
        "clockwise from true north, 0 to below 360; required",
        (
            "bearing|azimuth|direction|heading|orientation|facing|pan|view direction|viewing direction|compass bearing|compass|looks|look direction|aim|aim direction|aim bearing|direction of view|line of sight|view azimuth|bearing from north",
            "richtung|blickrichtung|azimut|himmelsrichtung|ausrichtung|schwenk|kompass|peilung|richtungswinkel|blickrichtung gegen nord|sichtrichtung",
            "direction|azimut|cap|orientation|direction de vue|gisement|relevement|azimut de visee|visee",
            "rumbo|direccion|azimut|acimut|orientacion|direccion de vista",
            "direzione|azimut|orientamento|rilevamento|direzione di vista|puntamento",
        ),
        135,
        _camera(lambda c: c.bearing_deg),
        True,
    ),
    Column(
        "pitch_deg",
        PITCH,
        "above (+) or below (−) the horizontal; this or tilt_down_deg is required",
        (
            "pitch|pitch angle|elevation angle|vertical angle",
            "nickwinkel|hohenwinkel|elevation",
            "assiette|site",
            "cabeceo|elevacion",
            "beccheggio|elevazione",
        ),
        -15,
        _camera(lambda c: c.pitch_deg),
        True,
    ),
    Column(
        "tilt_down_deg",
        PITCH,
        "the reverse of pitch_deg",
        (
            "tilt down|downtilt|down tilt|depression|depression angle|downward tilt|tilt below horizon|angle down|down angle",
            "neigung nach unten|abwartsneigung|neigung unten|senkung",
            "inclinaison vers le bas|plongee|depression",
            "inclinacion hacia abajo|depresion",
            "inclinazione verso il basso|depressione",
        ),
    ),
    Column(
        "roll_deg",
        _ROLL,
        "+ clockwise seen from behind (0)",
        (
            "roll|rotation|rotation angle",
            "rollwinkel|rollen|drehung|verdrehung",
            "roulis|rotation",
            "alabeo|balanceo|giro",
            "rollio|rotazione",
        ),
        0,
        _camera(lambda c: c.roll_deg),
    ),
    Column(
        "hfov_deg",
        Measure("deg", 0, 360, above=True),
        "full angle of view over the picture's width; this, or focal_mm with sensor_width_mm, is required. A data sheet's angle beats the focal length",
        (
            "hfov|fov|h fov|field of view|horizontal field of view|angle of view|horizontal angle of view|view angle|viewing angle|lens angle|horizontal angle|aov|fov h|fov horizontal|horizontal fov|aov h|horizontal aov|angle of view h|hor angle of view|view angle h",
            "bildwinkel|offnungswinkel|sichtwinkel|blickwinkel|horizontaler bildwinkel|horizontaler offnungswinkel|blickfeld|sichtfeld|bildwinkel horizontal|offnungswinkel horizontal|bildwinkel h|offnungswinkel h",
            "angle de vue|champ de vision|angle de champ|champ|champ horizontal|angle de vue horizontal|angle de champ horizontal|champ de vision horizontal|angle horizontal",
            "angulo de vision|campo de vision|angulo de vista|angulo horizontal|angulo de vision horizontal|angulo de vision h|apertura",
            "angolo di campo|campo visivo|angolo di visione|angolo di vista|angolo orizzontale|campo visivo orizzontale|angolo di visione orizzontale|apertura|angolo di campo orizzontale",
        ),
        84,
        _camera(lambda c: c.lens.hfov_deg),
        True,
    ),
    Column(
        "hfov_sd_deg",
        Measure("deg", 0, 90),
        "one standard deviation of it (0)",
        write=_camera(lambda c: c.lens.hfov_sd_deg or None),
    ),
    Column(
        "focal_mm",
        Measure("mm", 0.1, 2000),
        "focal length, with sensor_width_mm",
        (
            "focal|focal length|lens|lens focal length|focal len",
            "brennweite|objektiv|objektivbrennweite",
            "focale|distance focale|objectif|longueur focale",
            "focal|distancia focal|objetivo optico|optica|lente",
            "focale|lunghezza focale|distanza focale|obiettivo ottico|ottica|lente",
        ),
    ),
    Column(
        "sensor_width_mm",
        Measure("mm", 0.5, 100),
        "width of the sensor's used area",
        (
            "sensor width|chip width|imager width",
            "sensorbreite|chipbreite",
            "largeur du capteur|largeur capteur",
            "ancho del sensor|anchura del sensor",
            "larghezza sensore|larghezza del sensore",
        ),
    ),
    Column(
        "image_width_px",
        _PIXELS,
        "of the main stream; required",
        (
            "image width|picture width|width|horizontal pixels|h pixels|pixels horizontal|resolution width|width pixels|pixel width|res x|resolution x|horizontal resolution|res w|resolution w|pixels w|pixel w|image w|px wide|pixels wide|pixels across|px across|h pixel|pixels x",
            "bildbreite|pixel horizontal|auflosung breite|auflosung horizontal|breite bild|pixel breite|bild breite|horizontale auflosung",
            "largeur image|largeur|largeur de l image|pixels horizontaux|resolution horizontale",
            "ancho imagen|ancho de imagen|ancho|anchura de imagen|pixeles horizontales|resolucion horizontal",
            "larghezza immagine|larghezza|pixel orizzontali|risoluzione orizzontale",
        ),
        1920,
        _camera(lambda c: c.lens.width_px),
        True,
    ),
    Column(
        "image_height_px",
        _PIXELS,
        "of the main stream; required",
        (
            "image height|picture height|vertical pixels|v pixels|pixels vertical|resolution height|height pixels|pixel height|res y|resolution y|vertical resolution|res h|resolution h|pixels h|pixel h|image h|px high|pixels high|pixels down|px down|v pixel|pixels y|res v|resolution v|pixels v|image v",
            "bildhohe|pixel vertikal|auflosung hohe|auflosung vertikal|hohe bild|pixel hohe|bild hohe|vertikale auflosung",
            "hauteur image|hauteur de l image|pixels verticaux|resolution verticale",
            "alto imagen|alto de imagen|alto|altura de imagen|altura imagen|pixeles verticales|resolucion vertical",
            "altezza immagine|pixel verticali|risoluzione verticale",
        ),
        1080,
        _camera(lambda c: c.lens.height_px),
        True,
    ),
    Column(
        "projection",
        _PROJECTION,
        "rectilinear (default) or equidistant (fisheye: for a usual ceiling fisheye hfov_deg is 180, not the 360 of its panorama)",
        ("lens projection|lens model|lens type", "projektion|abbildung", "projection", "proyeccion", "proiezione"),
        None,
        _camera(lambda c: c.lens.projection),
    ),
    Column(
        "k1",
        _TERM,
        "radial term, r_d = r (1 + k1 r² + k2 r⁴), r in focal lengths (0)",
        write=_camera(lambda c: c.lens.k1 or None),
    ),
    Column("k2", _TERM, "radial term (0)", write=_camera(lambda c: c.lens.k2 or None)),
    Column(
        "principal_x_px",
        _PRINCIPAL,
        "principal point (the picture's middle)",
        write=_camera(lambda c: c.lens.principal_px[0] if c.lens.principal_px else None),
    ),
    Column(
        "principal_y_px",
        _PRINCIPAL,
        "principal point (the picture's middle)",
        write=_camera(lambda c: c.lens.principal_px[1] if c.lens.principal_px else None),
    ),
    Column(
        "form",
        _FORM,
        "camera type, or a finer name of the catalogue (`pendant dome`)",
        (
            "camera type|type|camera form|housing|camera style|body|form factor|model type|style|camera type form",
            "kameratyp|typ|bauform|kameraart|art|gehause|gehauseform",
            "type|type de camera|forme|boitier",
            "tipo|tipo de camara|forma|carcasa",
            "tipo|tipo di telecamera|forma|custodia|tipo telecamera",
        ),
        "dome",
        _camera(lambda c: c.form_detail or c.form),
        True,
    ),
    Column(
        "surface",
        _SURFACE,
        "mounting surface, or a finer name (`brick wall`, `timber pole`)",
        (
            "mounting surface|mounted on|mount surface|fixed to|structure|substrate|mounting location|fixing surface|fixing",
            "untergrund|montageuntergrund|befestigung an|montageflache|oberflache|montiert an|montage an",
            "support|surface|surface de montage|structure|support de fixation",
            "superficie|superficie de montaje|soporte|montado en",
            "superficie|superficie di montaggio|supporto|montata su",
        ),
        "brick wall",
        _camera(lambda c: c.surface_detail or c.surface),
        True,
    ),
    Column(
        "setting",
        _SETTING,
        "where it stands",
        (
            "environment|indoor outdoor|in out|inside outside|indoors outdoors|area type|int ext|interior exterior|location type",
            "umgebung|innen aussen|innen außen|bereich",
            "environnement|interieur exterieur|int ext",
            "entorno|interior exterior|ambiente",
            "ambiente|interno esterno",
        ),
        "outdoor",
        _camera(lambda c: c.setting),
        True,
    ),
    Column(
        "mount",
        Text("parts from the structure outwards, separated by ` > `"),
        "parts from the structure outwards, separated by ` > `",
        (
            "mounting|mounting parts|bracket|brackets|bracket type|mount type|mount parts|mounting assembly|fixing",
            "halterung|montage|montageteile|befestigung|montagezubehor",
            "fixation|montage|pieces de montage",
            "montaje|soportes|fijacion",
            "montaggio|staffa|staffe|fissaggio",
        ),
        "wall > junction box",
        _camera(lambda c: str(c.mount) or None),
        True,
    ),
    Column(
        "serial",
        Text(),
        "serial number",
        (
            "serial number|serial no|s n|s/n|sn|serial nr",
            "seriennummer|serien nr|seriennr|sn",
            "numero de serie|no de serie|no serie|n serie",
            "numero de serie|no de serie|n serie|serie",
            "numero di serie|matricola|n serie|seriale",
        ),
        None,
        _camera(lambda c: c.serial or None),
        True,
    ),
    Column(
        "night",
        _NIGHT,
        "night lighting",
        (
            "night light|night lighting|night vision|illumination|illuminator|ir|infrared",
            "nacht|nachtlicht|nachtsicht|beleuchtung|ir|infrarot",
            "nuit|eclairage|eclairage nocturne|vision nocturne|infrarouge|ir",
            "noche|iluminacion|vision nocturna|infrarrojo|ir",
            "notte|illuminazione|visione notturna|infrarosso|ir",
        ),
        "infrared",
        _camera(lambda c: c.night),
        True,
    ),
    Column(
        "purpose",
        Text(f"a level ({', '.join(PURPOSE_PX_PER_M)}) or free text"),
        "a level (monitor, detect, observe, recognise, identify, inspect) or free text",
        (
            "purpose|task|aim|use|level|operational requirement|or level|function|surveillance purpose|purpose level|dori|dori level",
            "zweck|aufgabe|ziel der uberwachung|uberwachungsziel|qualitatsstufe|funktion",
            "but|objectif|finalite|usage|fonction",
            "finalidad|proposito|uso|funcion",
            "scopo|finalita|uso|funzione",
        ),
        "recognise",
        _camera(lambda c: c.purpose),
        True,
    ),
    Column(
        "target",
        Text(),
        "one target inline: its name",
        (
            "target name|target|scene|must see|looks at|view of|views",
            "ziel|blickziel|zielname|beobachtungsziel|sieht",
            "cible|nom de la cible|point vise",
            "objetivo|blanco|punto de mira",
            "bersaglio|obiettivo|punto mirato",
        ),
        "gate",
        None,
        True,
    ),
    Column("target_east_m", POSITION, "its position: local metres from the site's origin"),
    Column("target_north_m", POSITION, "its position: local metres from the site's origin"),
    Column(
        "target_up_m",
        UP,
        "its height above the ground at the origin",
        (
            "target height|target up|target z",
            "zielhohe|ziel hohe|hohe ziel",
            "hauteur cible|hauteur de la cible",
            "altura objetivo|altura del objetivo",
            "altezza bersaglio|altezza obiettivo",
        ),
        1.6,
        None,
        True,
    ),
    Column("target_latitude", LATITUDE, "its position: WGS 84 degrees", ("", "", "", "", ""), 46.5001, None, True),
    Column("target_longitude", LONGITUDE, "its position: WGS 84 degrees", ("", "", "", "", ""), -17.9999, None, True),
    Column("target_purpose", Text("a level"), "what that target needs: a level (then `purpose` may be free text)"),
    Column(
        "required_px_per_m",
        DENSITY,
        "what that target needs in pixels per metre (wins over a level)",
        (
            "required px m|required ppm|pixel density|required pixel density|density|ppm|px m",
            "pixeldichte|geforderte pixeldichte|px m",
            "densite de pixels|densite|px m",
            "densidad de pixeles|densidad|px m",
            "densita di pixel|densita|px m",
        ),
    ),
    Column(
        "site",
        Text(),
        "in the first row that has it: the site's name",
        (
            "site name|project",
            "standortname|projekt|liegenschaft|objekt",
            "site|nom du site|projet",
            "sitio|proyecto|emplazamiento",
            "sito|progetto",
        ),
    ),
    Column("origin_latitude", LATITUDE, "in the first row that has it: where east 0, north 0 lies"),
    Column("origin_longitude", LONGITUDE, "in the first row that has it: where east 0, north 0 lies"),
    Column(
        "image_size",
        Pair(("image_width_px", "image_height_px")),
        "width and height in one cell, as 1920 x 1080",
        (
            "resolution|resolution wxh|image|picture|wxh|resolution w x h|image size|picture size|pixels|image resolution|video resolution",
            "auflosung|bildgrosse|aufloesung|bildauflosung",
            "resolution|taille d image|definition",
            "resolucion|tamano de imagen",
            "risoluzione|dimensione immagine",
        ),
    ),
    Column(
        "position",
        Pair(("latitude", "longitude")),
        "latitude and longitude in one cell, as 46.500036, -17.999922",
        (
            "position|coordinates|coords|gps|gps coordinates|gps position|lat lon|lat long|latitude longitude",
            "koordinaten|gps|gps koordinaten|gps position",
            "coordonnees|gps|coordonnees gps",
            "coordenadas|gps|coordenadas gps",
            "coordinate|gps|coordinate gps",
        ),
    ),
    Column(
        "quantity",
        Measure("", 0, 1000, whole=True),
        "cameras in this row; a plan has one row a camera, so that more than one is asked about",
        (
            "quantity|qty|count|pcs|amount|no of cameras|number of cameras",
            "anzahl|stuck|menge|stk",
            "quantite|qte|nombre de cameras",
            "cantidad|uds|unidades",
            "quantita|qta|pezzi",
        ),
    ),
    Column(
        "surveyed_on",
        Day(),
        "day of the survey: magnetic bearings are turned to true north by that year's declination (today's)",
        (
            "survey date|surveyed|date surveyed|measured on|date of survey|date",
            "aufmassdatum|messdatum|aufgenommen am|datum",
            "date du releve|releve le|date",
            "fecha de medicion|fecha del levantamiento|fecha",
            "data rilievo|data del rilievo|data",
        ),
    ),
    Column(
        "as_written",
        Text("names of columns"),
        "names of columns whose odd value was checked and stands as written, separated by spaces",
        write=None,
    ),
    Column("waits", Text(), "why the camera waits for an answer; empty it once that is settled", write=None),
)

TARGETS: tuple[Column, ...] = (
    Column("camera", Text("a camera of the plan"), "the camera that must see it", CAMERAS[0].titles, "CAM-01"),
    Column(
        "target",
        Text("a name"),
        "name, unique within its camera; required",
        ("target name|name|scene", "ziel|zielname|name", "cible|nom", "objetivo|nombre", "bersaglio|obiettivo|nome"),
        "gate",
        _target(lambda t: t.name),
    ),
    Column("latitude", LATITUDE, "WGS 84 degrees", _LAT_TITLES, 46.5001),
    Column("longitude", LONGITUDE, "WGS 84 degrees", _LON_TITLES, -17.9999),
    Column("east_m", POSITION, "local metres from the site's origin, or latitude and longitude", _EAST_TITLES),
    Column("north_m", POSITION, "local metres from the site's origin", _NORTH_TITLES),
    Column("up_m", UP, "height above the ground at the origin; required", _UP_TITLES, 1.6, _target(lambda t: t.up_m)),
    Column(
        "purpose",
        Text("a level"),
        "a level, or required_px_per_m",
        next(c.titles for c in CAMERAS if c.key == "purpose"),
        "recognise",
        _target(lambda t: t.purpose),
    ),
    Column(
        "required_px_per_m",
        DENSITY,
        "pixels per metre (wins over a level)",
        next(c.titles for c in CAMERAS if c.key == "required_px_per_m"),
        None,
        _target(lambda t: t.required_px_per_m),
    ),
    Column(
        "position_sd_m",
        POSITION_SD,
        "one standard deviation of each coordinate",
        write=_target(lambda t: t.position_sd_m),
    ),
)

LANDMARKS: tuple[Column, ...] = (
    Column(
        "landmark",
        Text("a unique name"),
        "name, unique in the plan; required",
        (
            "landmark name|control point|mark",
            "landmarke|festpunkt|passpunkt",
            "repere|point de repere",
            "punto de referencia|hito",
            "punto di riferimento|caposaldo",
        ),
        "chimney",
        _landmark(lambda m: m.landmark),
    ),
    Column("latitude", LATITUDE, "WGS 84 degrees", _LAT_TITLES, 46.5002),
    Column("longitude", LONGITUDE, "WGS 84 degrees", _LON_TITLES, -17.9998),
    Column("east_m", POSITION, "local metres from the site's origin, or latitude and longitude", _EAST_TITLES),
    Column("north_m", POSITION, "local metres from the site's origin", _NORTH_TITLES),
    Column("up_m", UP, "height above the ground at the origin", _UP_TITLES, 6.0, _landmark(lambda m: m.up_m)),
    Column(
        "position_sd_m",
        POSITION_SD,
        "one standard deviation of each coordinate",
        ("accuracy|position accuracy|sd", "genauigkeit|lagegenauigkeit", "precision", "precision", "precisione"),
        0.1,
        _landmark(lambda m: m.position_sd_m),
    ),
    Column("floor", Text(), "where the plan tells floors apart", write=_landmark(lambda m: m.floor or None)),
)


def columns_of(table: TableWord) -> tuple[Column, ...]:
    """The columns of one of a plan's tables."""
    return {"cameras": CAMERAS, "targets": TARGETS, "landmarks": LANDMARKS}[table]


@cache
def by_key(table: TableWord) -> dict[str, Column]:
    """The columns of a table by name."""
    return {column.key: column for column in columns_of(table)}
