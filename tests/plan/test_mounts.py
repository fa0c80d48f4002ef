"""Mount chains. The rules are common practice, no source, unless a line names one."""

from __future__ import annotations

import csv
from dataclasses import replace

import pytest

from audit.lens import Lens
from audit.plan.catalogue import catalogue, finer_name
from audit.plan.model import Camera, MountChain, Site
from audit.plan.mounts import chain_problems, joints, needed_chain
from audit.plan.parts import part_named, parts_csv, parts_list

LENS = Lens(1920, 1080, 60)
FISH = Lens(2880, 2880, 180, projection="equidistant")


def _camera(
    chain: str,
    form: str = "bullet",
    surface: str = "wall",
    setting: str = "outdoor",
    detail: str = "brick wall",
    pitch: float = -15,
    lens: Lens = LENS,
) -> Camera:
    parts = tuple(p.strip() for p in chain.split(">") if p.strip())
    return Camera(
        "C",
        0,
        0,
        3,
        0,
        pitch,
        lens,
        form=form,
        surface=surface,
        setting=setting,
        surface_detail=detail,
        mount=MountChain(parts),
        row=2,
    )  # type: ignore[arg-type]


def _said(camera: Camera, severity: str | None = None) -> str:
    return " | ".join(
        p.message + " " + (p.remedy or "") for p in chain_problems(camera) if severity in (None, p.severity)
    )


SOUND = [
    _camera("soffit > back box > tilt adapter 15", "dome", "soffit", detail="sloped soffit", pitch=-40),
    _camera("steel beam > beam clamp > junction box", "bullet", "hard ceiling", "indoor", "steel beam"),
    _camera("wall > junction box"),
    _camera("mast > pole adapter > junction box", surface="pole", detail="round mast"),
    _camera("soffit > junction box", "turret", "soffit", detail="soffit"),
    _camera("wall > junction box > arm > pendant cap", "dome", pitch=-25),
    _camera("wall > L-bracket > back box", "dome", pitch=-25),
    _camera("wall > back box > weather shield", "dome", pitch=-25),
    _camera("corner adapter > arm > pendant cap", "fisheye", "corner", detail="outside corner", pitch=-90, lens=FISH),
    _camera("wall > back box > tilt adapter 30", "fisheye", pitch=-30, lens=FISH),
    _camera("wall > heavy arm > pendant cap > lanyard", "ptz"),
    _camera("mast > heavy pole adapter > heavy arm > pendant cap > lanyard", "ptz", "pole", detail="mast"),
    _camera("parapet > swing arm > pendant cap > lanyard", "ptz", "parapet", detail="roof edge"),
    _camera("grid > tile bridge > safety wire", "dome", "tile ceiling", "indoor", "suspended tile", -30),
    _camera("rail > back plate > junction box", detail="sheet cladding"),
    _camera("beam clamp > drop pipe > pendant cap", "dome", "hard ceiling", "indoor", "steel beam", -20),
    _camera("wall > sleeve > gasket", detail="timber wall"),
    _camera("wall > housing bracket > housing", "box"),
    _camera("wall > housing bracket > housing > camera + lens", "box"),
    _camera("slope > tilt adapter 20 > dome", "dome", "soffit", detail="sloped soffit", pitch=-40),
    _camera("mast > pole adapter > arm > pendant cap > camera", "fisheye", "pole", detail="mast", pitch=-90, lens=FISH),
    _camera("ceiling > back box > fisheye", "fisheye", "hard ceiling", "indoor", "concrete slab", -90, FISH),
    _camera(
        "slab > flange > drop pipe > drop pipe > pendant cap", "fisheye", "hard ceiling", "indoor", "slab", -90, FISH
    ),
    _camera("wall > through-bolts > heavier-duty arm > PTZ thread > lanyard > PTZ", "ptz"),
    _camera("corner > corner adapter > heavy arm > pendant cap > lanyard", "multi-sensor", "corner", detail="corner"),
    _camera("concrete slab > anchors > back box > camera", "dome", "hard ceiling", "indoor", "concrete slab", -30),
    _camera("wood post > wide plate > box", surface="pole", detail="wood post"),
    _camera("wall (brick) > junction box (metal) > gland"),
    _camera('wall > arm 1½" NPT > pendant cap 1 1/2 NPT', "dome", pitch=-30),
]


@pytest.mark.parametrize("camera", SOUND, ids=lambda c: f"{c.form} on {c.surface_detail}: {c.mount}")
def test_chains_of_common_practice_pass(camera: Camera) -> None:
    assert _said(camera, "error") == "" and _said(camera, "warning") == ""
    assert "camera" not in [line.part for line in parts_list(Site((camera,)))]


@pytest.mark.parametrize(
    ("camera", "severity", "says"),
    [
        (_camera("wall > arm", "dome"), "error", "pendant adapter is missing"),
        (
            _camera("corner > arm > pendant cap", "fisheye", "corner", detail="outside corner", pitch=-90, lens=FISH),
            "error",
            "corner adapter is missing",
        ),
        (_camera("mast > junction box", surface="pole", detail="round mast"), "error", "pole adapter is missing"),
        (_camera("wall > pendant cap", "dome"), "error", "arm is missing"),
        (_camera("wall"), "warning", "fly lead"),
        (_camera("wall > back box", "dome", pitch=-25), "warning", "reflects infrared"),
        (_camera("wall > back box", "fisheye", pitch=-30, lens=FISH), "error", "no tilt adapter"),
        (_camera("wall > back box > tilt adapter 15", "fisheye", pitch=-30, lens=FISH), "error", "gives 15°"),
        (_camera("wall > back box", "fisheye", pitch=0, lens=FISH), "warning", "half of what"),
        (_camera("wall > arm > pendant cap > lanyard", "ptz"), "warning", "heavy arm"),
        (_camera("wall > heavy arm > pendant cap", "ptz"), "warning", "second fixing"),
        (_camera("wall > arm > pendant cap", "bullet"), "error", "can't be fixed"),
        (_camera("wall > junktion box"), "warning", "Did you mean 'junction box'"),
        (_camera("wall > junction box > mounting plate > junction box"), "error", "loop"),
        (_camera("junction box > wall"), "error", "inside the chain"),
        (_camera("mast > pole adapter > junction box"), "error", "starts at a pole"),
        (
            _camera("opening > recessed mount > trim", "dome", "hard ceiling", "indoor", "plasterboard ceiling", -25),
            "caution",
            "status LED",
        ),
        (
            _camera("grid > back box", "dome", "tile ceiling", "indoor", "suspended tile", -30),
            "error",
            "tile support is missing",
        ),
        (
            _camera("grid > tile bridge", "dome", "tile ceiling", "indoor", "suspended tile", -30),
            "warning",
            "safety wire",
        ),
        (_camera("wall > junction box", detail="sheet cladding"), "warning", "rail or back plate"),
        (_camera("post > pole adapter > junction box", surface="pole", detail="wood post"), "warning", "wide plate"),
        (_camera("wall > arm 1 1/2 NPT > pendant cap G 1 1/2", "dome"), "error", "binds after a few turns"),
        (_camera("wall > arm 3/4 NPT > pendant cap G 3/4", "dome"), "error", "neither holds nor seals"),
        (_camera("wall > arm 3/4 NPT > pendant cap 1 1/2 NPT", "dome"), "error", "48.26 mm"),
        (_camera("wall > existing junction box"), "warning", "old mount"),
        (_camera("soffit > back box", "dome", "soffit", detail="sloped soffit", pitch=-40), "warning", "out of level"),
        (_camera("", "dome", "hard ceiling", "indoor", "steel beam"), "warning", "beam clamp > drop tube > pendant adapter"),
        (_camera("", "bullet", "hard ceiling", "indoor", "steel beam"), "warning", "beam clamp."),
        (
            replace(_camera("wall > arm 1 1/2 NPT > pendant cap", "dome"), extra=(("Thread", "3/4 NPT"),)),
            "error",
            "the camera (3/4 NPT)",
        ),
        (
            replace(_camera("wall > arm 3 kg > pendant cap 8 kg", "dome"), extra=(("weight_kg", "4,5"),)),
            "error",
            "'arm 3 kg' is rated for less than the camera's 4.5 kg",
        ),
        (replace(_camera("wall > junction box"), extra=(("weight_kg", "heavy"),)), "warning", "no weight in kilograms"),
        (_camera("wall > junction box", "turret", pitch=-88), "warning", "lies outside what"),
        (_camera(""), "warning", "Usual here: junction box"),
    ],
    ids=lambda v: str(v.mount) if isinstance(v, Camera) else str(v),
)
def test_what_goes_wrong_is_said_with_a_remedy(camera: Camera, severity: str, says: str) -> None:
    assert says in _said(camera, severity)
    for problem in chain_problems(camera):
        assert problem.remedy and problem.row == 2 and problem.camera == "C"


def test_the_recommended_chain_passes_its_own_rules() -> None:
    """Every form on every surface, indoors and out: what the catalogue recommends must not be refused by the check."""
    for form in catalogue()["joints"]:
        for surface in catalogue()["seats"]:
            for setting in ("indoor", "outdoor"):
                lens, pitch = (FISH, -90.0) if form == "fisheye" else (LENS, -20.0)
                camera = _camera("", form, surface, setting, "", pitch, lens)
                chain = needed_chain(camera)
                assert chain
                if form == "box" and surface == "parapet":
                    continue
                tried = replace(camera, mount=MountChain(chain))
                errors = _said(tried, "error")
                assert "missing" not in errors or surface == "parapet", (form, surface, chain, errors)


def test_joints_follow_the_seat() -> None:
    level = joints(_camera("wall > junction box"))
    assert level is not None and level.seat_pitch_deg == 0 and level.reaches(-30) and level.rolls
    hung = joints(_camera("wall > arm > pendant cap", "dome"))
    assert hung is not None and hung.seat_pitch_deg == -90 and hung.reaches(-20) and not hung.reaches(-5)
    fixed = joints(_camera("wall > back box > tilt adapter 30", "fisheye", pitch=-30, lens=FISH))
    assert fixed is not None and (fixed.lowest_pitch_deg, fixed.highest_pitch_deg) == (-30, -30)
    assert joints(replace(_camera("wall"), form=None)) is None


def test_parts_are_known_by_any_of_their_names() -> None:
    assert part_named("gooseneck arm, 1 1/2 NPT").word == "arm"  # type: ignore[union-attr]
    adapter = part_named("tilt adapter 15°")
    assert adapter is not None and adapter.angle_deg == 15
    assert part_named("heavy-duty arm").word == "heavy arm"  # type: ignore[union-attr]
    assert part_named("sky hook") is None
    assert finer_name("surfaces", "Brick wall") == ("wall", "Brick wall")
    assert finer_name("surfaces", "round mast") == ("pole", "round mast")
    assert finer_name("forms", "PTZ (home view)") == ("ptz", "PTZ (home view)")


def test_names_of_the_catalogue_are_unique() -> None:
    for kind in ("forms", "surfaces"):
        names = [n for word, finer in catalogue()[kind].items() for n in (word, *finer)]
        assert len(names) == len(set(names)), kind
    words = [n.lower() for word, part in catalogue()["parts"].items() for n in (word, *part["names"])]
    assert len(words) == len(set(words))


def test_parts_list_with_spares() -> None:
    cameras = tuple(replace(_camera("wall > junction box > =cmd()"), camera=f"C{i}") for i in range(12))
    lines = parts_list(Site(cameras), 0.1)
    assert [(line.part, line.needed, line.spares) for line in lines] == [("=cmd()", 12, 2), ("junction box", 12, 2)]
    assert parts_list(Site(cameras), 0)[0].spares == 0
    rows = list(csv.reader(parts_csv(lines).splitlines()))
    assert rows[0] == ["part", "needed", "spares", "cameras"] and rows[1][0] == "'=cmd()"


def test_one_order_line_a_part_whatever_the_plan_calls_it() -> None:
    cameras = (
        replace(_camera("wall > back box > arm 1 1/2 NPT"), camera="A"),
        replace(_camera("wall > conduit box > gooseneck arm, 1.5 NPT"), camera="B"),
        replace(_camera("wall > junction box > arm 3/4 NPT"), camera="C"),
        replace(_camera("mast > pole strap > tilt wedge 15"), camera="D"),
    )
    lines = {line.part: line.needed for line in parts_list(Site(cameras), 0)}
    assert lines == {
        "junction box": 3, "arm 1 1/2 NPT": 2, "arm 3/4 NPT": 1, "pole adapter": 1, "tilt adapter 15°": 1,
    }  # fmt: skip


@pytest.mark.parametrize(
    ("kind", "text", "word"),
    [
        *(("surfaces", t, "pole") for t in ("column", "lamp column", "camera pole", "fence post", "gantry", "tower", "Steelwork")),
        ("surfaces", "brickwork", "wall"),
        *(("surfaces", t, "tile ceiling") for t in ("T-bar ceiling", "lay-in ceiling")),
        ("forms", "PTZ dome", "ptz"), ("forms", "vandal dome", "dome"), ("forms", "minidome", "dome"),
        ("forms", "panoramic 180", "multi-sensor"), ("forms", "hemispheric", "fisheye"), ("forms", "pinhole", "box"),
        ("forms", "ANPR", "bullet"), ("forms", "thermal", "bullet"),
    ],
)  # fmt: skip
def test_words_of_the_trade_are_known(kind: str, text: str, word: str) -> None:
    """Common practice, no source."""
    found = finer_name(kind, text)
    assert found is not None and found[0] == word


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("sunshield", "sunshield"), ("swan neck", "arm"), ("pendant mount", "pendant adapter"), ("pendant cap", "pendant adapter"),
        ("mounting base", "junction box"), ("mounting box", "junction box"), ("adaptor box", "junction box"),
        ("stand-off bracket", "arm"), ("extension tube", "drop tube"), ("drop rod", "drop tube"), ("banding", "pole adapter"),
        ("safety chain", "safety lanyard"), ("tether", "safety lanyard"), ("flush kit", "recessed mount"),
        ("recess kit", "recessed mount"), ("pattress", "junction box"), ("strut channel", "rail"),
    ],
)  # fmt: skip
def test_parts_by_the_words_of_the_trade(text: str, word: str) -> None:
    """Common practice, no source."""
    found = part_named(text)
    assert found is not None and found.word == word


def test_articles_are_right() -> None:
    assert "Order an arm made for this camera." in _said(_camera("wall > junction box", "ptz"), "error")


@pytest.mark.parametrize(
    ("form", "surface", "setting", "pendant"),
    [
        ("multi-sensor", "wall", "outdoor", True),
        ("ptz", "wall", "indoor", True),
        ("fisheye", "pole", "outdoor", True),
        ("dome", "wall", "outdoor", True),
        ("dome", "wall", "indoor", False),
        ("bullet", "wall", "outdoor", False),
    ],
)
def test_what_looks_around_hangs_from_a_pendant_adapter(form: str, surface: str, setting: str, pendant: bool) -> None:
    """Common practice, no source: a camera that looks all around, and a dome in the rain, hangs below its arm."""
    detail, pitch = ("brick wall", -15.0) if surface == "wall" else ("round mast", -90.0)
    camera = _camera("", form, surface, setting, detail=detail, pitch=pitch, lens=FISH)
    assert ("pendant adapter" in needed_chain(camera)) is pendant


def test_messages_and_remedies_are_sentences() -> None:
    wrong = ("", "wall > pendant cap", "opening > recessed mount > trim", "wall > back box > tilt adapter 15", "wall > existing junction box",
             "mast > junction box", "wall > nonsense")  # fmt: skip
    for chain in wrong:
        for form in ("bullet", "dome", "ptz", "fisheye"):
            for surface in ("wall", "pole", "tile ceiling"):
                for problem in chain_problems(_camera(chain, form, surface, detail="sheet cladding")):
                    assert problem.message.endswith((".", ":")), problem.message
                    for sentence in filter(None, (problem.remedy or "").split(". ")):
                        assert sentence[0].isupper() and not sentence.isupper(), problem.remedy
