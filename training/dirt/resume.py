"""Puts a shipped network's weights back into the torch module that they came from, to train on from them.

In the ONNX file each batch norm is folded into the convolution before it. :func:`take_weights` sets the norms so that the module
answers as the file does; :func:`settle_norms` then gives every norm the mean and spread of what passes it and folds both out of
its scale and offset, which changes no answer and lets training go on with statistics of the batch.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

__all__ = ["settle_norms", "take_weights"]


def _module_name(node: str) -> str:
    """``/block1/first/first.0/Conv`` is the module ``block1.first.0``: each container's name stands again before its item's."""
    parts: list[str] = []
    for part in node.strip("/").split("/")[:-1]:
        if parts and part.startswith(parts[-1] + "."):
            parts[-1] = part
        else:
            parts.append(part)
    return ".".join(parts)


def take_weights(network: nn.Module, path: Path) -> int:
    """Fills the module from an ONNX file of :mod:`.export`; returns how many layers were found. Others keep what they had."""
    import onnx
    from onnx import numpy_helper

    model = onnx.load(str(path))
    values = {t.name: np.asarray(numpy_helper.to_array(t), np.float32) for t in model.graph.initializer}
    for node in model.graph.node:
        if node.op_type == "Cast" and node.input[0] in values:
            values[node.output[0]] = values[node.input[0]]
    modules = dict(network.named_modules())
    found = 0
    for node in model.graph.node:
        if node.op_type not in ("Conv", "Gemm") or len(node.input) < 3:
            continue
        name = _module_name(node.name).removeprefix("network.")
        layer = modules[name]
        assert isinstance(layer, nn.Conv2d | nn.Linear)
        with torch.no_grad():
            layer.weight.copy_(torch.from_numpy(values[node.input[1]].copy()))
            bias = torch.from_numpy(values[node.input[2]].copy())
            if layer.bias is not None:
                layer.bias.copy_(bias)
            else:
                norm = modules[f"{name.rpartition('.')[0]}.1"]
                assert isinstance(norm, nn.BatchNorm2d) and norm.running_mean is not None and norm.running_var is not None
                norm.running_mean.zero_()
                norm.running_var.fill_(1 - norm.eps)
                norm.weight.fill_(1)
                norm.bias.copy_(bias)
        found += 1
    return found


def settle_norms(network: nn.Module, batches: Iterable[tuple[Tensor, Tensor]]) -> None:
    """Sets every batch norm's mean and variance to those of what passes it, and its scale and offset so that no answer changes."""
    sums: dict[nn.BatchNorm2d, list[Tensor]] = {}

    def watch(norm: nn.BatchNorm2d) -> Callable[..., None]:
        def look(_: nn.Module, inputs: tuple[Tensor, ...]) -> None:
            x = inputs[0].detach().transpose(0, 1).flatten(1).double()
            new = [torch.ones((), device=x.device, dtype=x.dtype), x.mean(1), (x * x).mean(1)]
            sums[norm] = [a + b for a, b in zip(sums[norm], new, strict=True)] if norm in sums else new
        return look

    norms = [m for m in network.modules() if isinstance(m, nn.BatchNorm2d)]
    hooks = [norm.register_forward_pre_hook(watch(norm)) for norm in norms]
    network.eval()
    with torch.no_grad():
        for logs, colours in batches:
            network(logs, colours)
    for hook in hooks:
        hook.remove()
    with torch.no_grad():
        for norm, (count, mean, square) in sums.items():
            assert norm.running_mean is not None and norm.running_var is not None
            mean, square = mean / count, square / count
            var = (square - mean * mean).clamp_min(1e-6)
            slope = norm.weight.double() / torch.sqrt(norm.running_var.double() + norm.eps)
            offset = norm.bias.double() - slope * norm.running_mean.double()
            norm.bias.copy_(offset + slope * mean)
            norm.weight.copy_(slope * torch.sqrt(var + norm.eps))
            norm.running_mean.copy_(mean)
            norm.running_var.copy_(var)
