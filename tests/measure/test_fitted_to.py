"""What the weights and the table of constants were fitted to: the facts themselves, beside the weights that expect them.

A model is right only for facts computed as they were when it was fitted: a scale, a sign or an order that changes gives sure and wrong
answers without any error. So the facts of a few made pictures are kept (``fitted_to.txt``), each layer as its mean and as its product with
a fixed random field, together with a digest of the weights. They may change only with new weights; then write the file anew:

    python -m tests.measure.test_fitted_to
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest
from skimage import data

from audit.frames import up_in_camera
from audit.lens import Lens
from audit.measure.dirt_model import KINDS, Verdict, cell_features, image_features, load_dirt_model
from audit.measure.dirt_network import pair_verdict, series_verdict
from audit.measure.flat_field import field_sizes
from audit.measure.lasting import lasting_features, measure_lasting
from audit.measure.laying import Laying
from audit.measure.losses import calm_features, join_features, judged
from audit.measure.network import NetworkView, look
from audit.measure.remaining import remaining_features
from audit.measure.scatter import scatter_facts
from audit.measure.shared_detail import shared_detail
from audit.measure.single import SINGLE_NAMES, single_layers
from audit.measure.transfer import band_maps, grid_size, log_luminance
from audit.measure.turned import Turned, turned_features
from audit.measure.up_direction import Seen, solve
from tests.measure.test_horizon import sea
from tests.measure.test_squareness import _edges as square_edges

FILE = Path(__file__).with_name("fitted_to.txt")
ROOM = Path(__file__).parents[2] / "audit" / "measure"
FITTED = (*(ROOM / "weights" / f"dirt_{name}" for name in ("single.npz", "lasting.json", "turned.json", "join.json", "calm.json")),
          ROOM / "weights" / "fields.onnx", ROOM / "orientation.toml")  # fmt: skip
#: Processors differ in the last digits of single precision.
SHARE, LEAST = 2e-3, 5e-4
SIZE = (320, 180)


@cache
def _picture(turn: int) -> np.ndarray:
    """A photograph of scikit-image with something burnt out, something black, spots and a soft corner; another part of it by ``turn``."""
    photo = cv2.resize(data.stereo_motorcycle()[0], (400, 260), interpolation=cv2.INTER_AREA)
    left, top = 17 * turn, 11 * turn
    out = photo[top : top + SIZE[1], left : left + SIZE[0]].astype(np.float32)
    out[20:44, 200:250], out[120:150, 30:75] = 255, 2
    veil = np.linspace(0, 0.6, SIZE[0], dtype=np.float32)[None, :, None]
    out = out * (1 - veil) + 140 * veil
    rng = np.random.default_rng(6)
    for column, row in rng.integers(10, [310, 170], (25, 2)):
        cv2.circle(out, (int(column), int(row)), 4, (90.0, 95.0, 100.0), -1, cv2.LINE_AA)
    return (out + np.random.default_rng(turn).normal(0, 2, out.shape)).clip(0, 255).astype(np.uint8)


def _verdict(seed: int) -> Verdict:
    rng = np.random.default_rng(seed)
    kinds = rng.dirichlet(np.ones(len(KINDS)))
    cells = rng.dirichlet(np.full(len(KINDS), 0.4), grid_size(SIZE[::-1])).transpose(2, 0, 1)
    return Verdict(kinds.astype(np.float32), cells.astype(np.float32))


def _moved(own: int, other: int) -> Laying:
    """The other part laid over the own one, a little askew."""
    if own > other:
        return _moved(other, own).turned_round()
    return Laying(np.array([[1.01, 0.004, 17.0 * (other - own)], [-0.003, 0.995, 11.0 * (other - own)], [2e-5, -1e-5, 1.0]]), 40)


@cache
def _logs() -> tuple[np.ndarray, ...]:
    return tuple(log_luminance(_picture(turn)) for turn in range(3))


def _keep() -> np.ndarray:
    keep = np.ones(SIZE[::-1], bool)
    keep[:14, 20:180] = False
    return keep


def _pairs() -> dict[tuple[int, int], Laying]:
    return {(own, other): _moved(own, other) for own in range(3) for other in range(3) if own != other}


def _remaining() -> np.ndarray:
    keep, laid = _keep().astype(np.float32), {}
    for (own, other), laying in _pairs().items():
        log = cv2.warpPerspective(_logs()[other], laying.matrix, SIZE, borderMode=cv2.BORDER_REPLICATE)
        laid[own, other] = log, cv2.warpPerspective(keep, laying.matrix, SIZE) > 0.99
    found = remaining_features(_logs(), laid)
    assert found is not None
    return found


def _maps(today: int):  # noqa: ANN202
    return band_maps(_logs()[0], _logs()[today], _keep())


def _view() -> NetworkView:
    """What a network might say of a camera that looks down by 12 degrees and leans by 3, with its own errors."""
    rng, lens = np.random.default_rng(8), Lens(1280, 720, 74.0)
    rows, columns = 27, 48
    y, x = np.meshgrid((np.arange(rows) + 0.5) / rows * 720 - 0.5, (np.arange(columns) + 0.5) / columns * 1280 - 0.5, indexing="ij")
    rays, up = lens.unproject(np.stack([x, y], -1)), up_in_camera(3.0, -12.0)
    ahead = lens.project(rays + 1e-4 * up) - np.stack([x, y], -1)
    angle = np.arctan2(ahead[..., 1], ahead[..., 0]) + rng.normal(0, 0.1, (rows, columns))
    latitude = np.arcsin(rays @ up) + rng.normal(0, 0.05, (rows, columns))
    sky = cv2.resize((40 * (rays @ up)).clip(-6, 6).astype(np.float32), (4 * columns, 4 * rows))
    return NetworkView(np.stack([np.cos(angle), np.sin(angle)], -1).astype(np.float32), latitude.astype(np.float32),
                       rng.uniform(5, 60, (rows, columns)).astype(np.float32), rng.uniform(0.03, 0.2, (rows, columns)).astype(np.float32),
                       sky, 0.8, float(np.log(np.tan(np.radians(37.0)))), 0.1, (0.97, 0.01, 0.01, 0.01))  # fmt: skip


def _tilt(lens: Lens, seen: Seen, quick: bool = False) -> np.ndarray:
    found = solve(seen, lens, quick)
    lead = found.lead if np.isfinite(found.lead) else -1.0
    return np.concatenate([scatter_facts(found).ravel(), found.covariance_deg2.ravel(),
                           [found.roll_deg, found.pitch_deg, found.score, lead, found.disagreement, found.spread_deg, found.beyond,
                            found.learned_sd_deg or -1.0, found.learned_gain, float(found.open_horizon), found.fit.upright_gain,
                            found.fit.level_gain, found.fit.upright.sum(), found.fit.levelled.sum(), found.fit.scatter]])  # fmt: skip


@cache
def _segments() -> np.ndarray:
    """Edges of a square corner of a building, and clutter that runs anywhere."""
    rng = np.random.default_rng(11)
    start = rng.uniform([50, 50], [1230, 670], (60, 2))
    angle, length = rng.uniform(0, np.pi, 60), rng.uniform(16, 60, 60)
    clutter = np.concatenate([start, start + np.stack([np.cos(angle), np.sin(angle)], 1) * length[:, None]], axis=1)
    found = np.concatenate([square_edges(90.0)[::2] + rng.normal(0, 0.5, square_edges(90.0)[::2].shape), clutter])
    return found[np.argsort(-np.hypot(found[:, 2] - found[:, 0], found[:, 3] - found[:, 1]))]


FACTS: dict[str, Callable[[], np.ndarray]] = {
    "one picture's layers": lambda: single_layers(_picture(0)),
    "one dark picture's layers": lambda: single_layers((_picture(1) // 6).astype(np.uint8)),
    "a cell's features": lambda: cell_features(single_layers(_picture(0))).T,
    "a picture's features": lambda: image_features(_verdict(1).cells, single_layers(_picture(0)), np.random.default_rng(2).random(grid_size(SIZE[::-1])) > 0.3),
    "a picture's features, hardly any cell seen": lambda: image_features(_verdict(1).cells, single_layers(_picture(0)), np.arange(220).reshape(11, 20) < 5),
    "one picture's verdict": lambda: _said(load_dirt_model("dirt_single").verdict(single_layers(_picture(0)), np.ones((11, 20), bool))),
    "sums of the trees": lambda: np.stack([load_dirt_model("dirt_single").logits(image_features(_verdict(s).cells, single_layers(_picture(s % 3)), np.ones((11, 20), bool))) for s in range(5)]),
    "what stays": lambda: measure_lasting(_logs(), ~_keep()).features,
    "where it stays": lambda: measure_lasting(_logs(), ~_keep()).places,
    "what stays, as the weights take it": lambda: lasting_features(measure_lasting(_logs())),
    "what remains": _remaining,
    "soft fields": lambda: field_sizes(_logs(), _pairs(), _keep()),
    "shared detail": lambda: shared_detail(_logs(), _pairs(), _keep()),
    "a pair's facts": lambda: np.stack([join_features(_verdict(3), _verdict(4), _maps(1)), join_features(_verdict(5), _verdict(3), _maps(0))]),
    "a calm pair's facts": lambda: calm_features(join_features(_verdict(3), _verdict(4), _maps(0))),
    "a pair's transfer": lambda: np.nan_to_num(_maps(1).transfer(), nan=-1.0),
    "a pair's coherence": lambda: _maps(1).coherence(),
    "the network for pairs": lambda: _said(pair_verdict("dirt_pair", _picture(0), _picture(1), *_logs()[:2], _keep())),
    "the network for series": lambda: _said(series_verdict([_picture(0), _picture(1)], _logs()[:2])),
    "a pair's verdict": lambda: _said(judged(_picture(0), _picture(1), *_logs()[:2], _keep(), _maps(1))),
    "while turned": lambda: turned_features(_verdict(6), measure_lasting(_logs()), [_verdict(7), _verdict(8)],
                                            Turned(np.array([-9.0, 0.5, 12.0]), _remaining(), field_sizes(_logs(), _pairs(), _keep()), np.array([-0.3, -0.9]))),
    "tilt by edges": lambda: _tilt(Lens(1280, 720, 80.0), Seen(_segments(), 0.65)),
    "tilt by edges, quickly": lambda: _tilt(Lens(1280, 720, 70.0), Seen(_segments(), 0.65), quick=True),
    "tilt by edges and the learned view": lambda: _tilt(Lens(1280, 720, 80.0), Seen(_segments(), 0.65, _view())),
    "tilt by the learned view and a horizon": lambda: _tilt(Lens(1280, 720, 74.0), Seen(np.zeros((0, 4)), 1.0, _view(), sea(Lens(1280, 720, 74.0), 3.0, -12.0)[0])),
    "tilt through a fisheye": lambda: _tilt(Lens(1280, 720, 150.0, projection="equidistant"), Seen(_segments(), 0.65, _view())),
    "the learned view": lambda: _fields(look(_picture(0), Lens(640, 360, 74.0))),
    "the learned view of a high picture": lambda: _fields(look(np.rot90(_picture(0)).copy())),
}  # fmt: skip


def _said(verdict: Verdict) -> np.ndarray:
    return np.concatenate([verdict.kinds, *(_told(cells) for cells in verdict.cells)])


def _fields(view: NetworkView) -> np.ndarray:
    fields = (view.up[..., 0], view.up[..., 1], view.latitude_rad, np.log(view.up_kappa), view.latitude_sd_rad, view.sky_logit)
    return np.concatenate([*(_told(f) for f in fields), [view.familiar, view.half_view or 0.0, view.half_view_sd or 0.0], view.turned or ()])


def _told(layer: np.ndarray) -> np.ndarray:
    """A layer's mean, and its mean product with a fixed random field, which any shift or swap changes."""
    field = np.random.default_rng(layer.size).normal(size=layer.shape)
    return np.array([layer.mean(), (layer * field).mean()], np.float64)


def kept_facts(name: str) -> np.ndarray:
    """A row of figures alone, or two figures a layer."""
    found = np.asarray(FACTS[name](), np.float64)
    assert np.isfinite(found).all()
    return found.ravel() if found.size <= 160 else np.concatenate([_told(layer) for layer in found])


def digest() -> str:
    return hashlib.sha256(b"".join(path.read_bytes() for path in FITTED)).hexdigest()[:16]


def kept() -> Iterator[tuple[str, np.ndarray]]:
    for line in FILE.read_text(encoding="utf-8").splitlines()[1:]:
        name, _, figures = line.partition(": ")
        yield name, np.array(figures.split(), np.float64)


def test_the_facts_were_kept_for_these_weights() -> None:
    assert FILE.read_text(encoding="utf-8").splitlines()[0] == f"weights {digest()}", "after new weights: python -m tests.measure.test_fitted_to"
    assert [name for name, _ in kept()] == list(FACTS)
    assert len(SINGLE_NAMES) == len(single_layers(_picture(0)))


@pytest.mark.parametrize("name", FACTS)
def test_facts_are_what_the_weights_were_fitted_to(name: str) -> None:
    assert kept_facts(name) == pytest.approx(dict(kept())[name], rel=SHARE, abs=LEAST)


if __name__ == "__main__":
    lines = [f"{name}: {' '.join(f'{figure:.6g}' for figure in kept_facts(name))}" for name in FACTS]
    FILE.write_text("\n".join([f"weights {digest()}", *lines]) + "\n", encoding="utf-8")
