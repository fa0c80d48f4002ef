"""Writes the network as ONNX: weights in 16-bit floats, arithmetic in 32-bit, any size whose sides divide by 32."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

from training.model import FieldNetwork

__all__ = ["export_onnx", "halve_weights"]


class _Deployed(nn.Module):
    """uint8 (1, H, W, 3) and the hint (1, 2) in; arrays as :func:`audit.measure.network.look` hands them out."""

    def __init__(self, network: FieldNetwork, mean: Tensor, precision: Tensor):
        super().__init__()
        self.network = network
        self.register_buffer("mean", mean)
        self.register_buffer("precision", precision)

    def forward(self, pixels: Tensor, hint: Tensor) -> tuple[Tensor, ...]:
        fields = self.network(pixels.permute(0, 3, 1, 2).float(), hint)
        away = fields.embedding - self.mean
        strange = ((away @ self.precision) * away).mean(1)
        return (
            fields.up.permute(0, 2, 3, 1),
            torch.exp(fields.log_kappa),
            fields.latitude,
            torch.exp(fields.log_scale) * float(np.sqrt(2.0)),
            fields.sky,
            strange,
            torch.stack([fields.view, torch.exp(fields.log_view_scale) * float(np.sqrt(2.0))], -1),
            torch.softmax(fields.turned, -1),
        )


def export_onnx(network: FieldNetwork, mean: Tensor, precision: Tensor, path: Path) -> None:
    """Writes ``path``.

    Parameters
    ----------
    network : FieldNetwork
        On any device; a copy on the CPU is written.
    mean, precision : Tensor
        Mean (96,) and inverse covariance (96, 96) of the embedding over training views.
    """
    import copy

    deployed = _Deployed(copy.deepcopy(network).cpu().eval().float(), mean.cpu().float(), precision.cpu().float())
    sample = torch.randint(0, 255, (1, 224, 384, 3), dtype=torch.uint8)
    names = ["up", "kappa", "latitude", "latitude_sd", "sky", "strange", "view", "turned"]
    axes = {"pixels": {1: "height", 2: "width"}}
    axes |= {name: {1: f"{name}_rows", 2: f"{name}_columns"} for name in names[:5]}
    torch.onnx.export(deployed, (sample, torch.zeros(1, 2)), str(path), input_names=["pixels", "hint"], output_names=names, dynamic_axes=axes,
                      opset_version=17, dynamo=False)  # fmt: skip
    halve_weights(path)


def halve_weights(path: Path) -> None:
    """Rewrites a model so that its large weights are kept as 16-bit floats; arithmetic stays in 32 bits."""
    import onnx
    from onnx import TensorProto, helper, numpy_helper

    model = onnx.load(str(path))
    casts, kept = [], []
    for tensor in model.graph.initializer:
        values = numpy_helper.to_array(tensor)
        if values.dtype == np.float32 and values.size > 256 and tensor.name != "precision":
            half = numpy_helper.from_array(np.clip(values, -6e4, 6e4).astype(np.float16), tensor.name + "_half")
            kept.append(half)
            casts.append(helper.make_node("Cast", [half.name], [tensor.name], to=TensorProto.FLOAT))
        else:
            kept.append(tensor)
    nodes = casts + list(model.graph.node)
    del model.graph.initializer[:], model.graph.node[:]
    model.graph.initializer.extend(kept)
    model.graph.node.extend(nodes)
    onnx.checker.check_model(model)
    onnx.save(model, str(path))
