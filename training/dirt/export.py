"""Writes trained networks as ONNX: weights in 16-bit floats, arithmetic in 32-bit, any size whose sides divide by 16.

    python -m training.dirt.export STATES OUT [--set pair=T,O series=T,O]

STATES holds what :mod:`.fit` left. A temperature T divides the picture's logits and an offset O is added to the one of
"clear"; both are written into the last layer, so that 0.5 means what the card says.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import torch
from torch import Tensor, nn

from training.dirt.networks import Head, PairNetwork, PictureNetwork
from training.export import halve_weights

__all__ = ["export"]


class _Series(nn.Module):
    """Pictures of one camera, first axis of both inputs."""

    def __init__(self, network: PictureNetwork) -> None:
        super().__init__()
        self.network = network

    def forward(self, logs: Tensor, colours: Tensor) -> tuple[Tensor, Tensor]:
        x, bands = self.network.encode(logs, colours)
        return self.network.together(x, bands, 1, -1)


def set_scale(head: Head, temperature: float, offset: float) -> None:
    with torch.no_grad():
        head.image.weight /= temperature
        head.image.bias /= temperature
        head.image.bias[0] += offset


def export(states: Path, out: Path, scales: dict[str, tuple[float, float]]) -> None:
    """Writes ``dirt_hours.onnx``, ``dirt_fold.onnx`` and ``dirt_series.onnx``, those whose states are there.

    What the last says of one picture alone is not used.
    """
    axes = {"logs": {2: "height", 3: "width"}, "colours": {2: "half_height", 3: "half_width"},
            "cells": {2: "rows", 3: "columns"}}
    several = {"logs": {0: "pictures", **axes["logs"]}, "colours": {0: "pictures", **axes["colours"]}, "cells": axes["cells"]}
    h, w = 368, 640
    for kept, name in (("pair", "hours"), ("fold", "fold"), ("picture", "series")):
        source = states / f"dirt_{kept}_state.pt"
        if not source.exists():
            continue
        network: PairNetwork | PictureNetwork = PictureNetwork() if kept == "picture" else PairNetwork()
        state = torch.load(source, map_location="cpu")
        network.load_state_dict({k: v.float() if v.is_floating_point() else v for k, v in state.items()})
        head = network.many.head if isinstance(network, PictureNetwork) else network.head
        set_scale(head, *scales.get("series" if kept == "picture" else kept, (1.0, 0.0)))
        whole = _Series(network) if isinstance(network, PictureNetwork) else network
        n, channels, names = (3, (1, 3), several) if isinstance(network, PictureNetwork) else (1, (3, 6), axes)
        path = out / f"dirt_{name}.onnx"
        sample = (torch.randn(n, channels[0], h, w), torch.rand(n, channels[1], h // 2, w // 2))
        torch.onnx.export(whole.eval(), sample, str(path), input_names=["logs", "colours"], output_names=["cells", "image"],
                          dynamic_axes=names, opset_version=17, dynamo=False)
        halve_weights(path)
        print(path, path.stat().st_size)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("states", type=Path)
    parser.add_argument("out", type=Path)
    parser.add_argument("--set", nargs="*", default=[])
    arguments = parser.parse_args()
    scales = {}
    for item in arguments.set:
        name, values = item.split("=")
        temperature, offset = values.split(",")
        scales[name] = (float(temperature), float(offset))
    export(arguments.states, arguments.out, scales)


if __name__ == "__main__":
    main()
