"""The networks that see dirt: one over a registered pair, one over one picture or several of one camera.

Both are small convolutional networks on log luminance, with the band statistics of :mod:`audit.measure.transfer`
(transfer, coherence, unexplained light by spatial frequency) computed inside, so that they need not be learned. Both
answer for each 16-pixel cell and for the picture which of :data:`KINDS` they show.
"""

from __future__ import annotations

import torch
from torch import Tensor, nn
from torch.nn import functional as F

__all__ = ["CELL_PX", "PairNetwork", "PictureNetwork"]

CELL_PX = 16
BANDS = 5
CLASSES = 7
FLOORS = (4e-4, 2e-4, 1e-4, 1e-4, 1e-4)


def conv(inside: int, out: int, stride: int = 1, dilation: int = 1) -> nn.Sequential:
    return nn.Sequential(nn.Conv2d(inside, out, 3, stride, dilation, dilation, bias=False), nn.BatchNorm2d(out),
                         nn.ReLU(inplace=True))


class Residual(nn.Module):
    """Two convolutions added to what goes in."""

    def __init__(self, width: int, inner: int, dilation: int = 1) -> None:
        super().__init__()
        self.first = conv(width, inner, 1, dilation)
        self.second = nn.Sequential(nn.Conv2d(inner, width, 3, 1, 1, bias=False), nn.BatchNorm2d(width))

    def forward(self, x: Tensor) -> Tensor:
        return F.relu(x + self.second(self.first(x)))


class Bands(nn.Module):
    """Octave bands of (B, C, H, W), finest first, each at its own resolution; H and W are multiples of 16."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        row = torch.tensor([1.0, 4.0, 6.0, 4.0, 1.0]) / 16
        self.register_buffer("kernel", (row[:, None] * row[None]).expand(channels, 1, 5, 5).clone(), persistent=False)
        self.channels = channels

    def forward(self, x: Tensor) -> list[Tensor]:
        out = []
        for _ in range(BANDS):
            smooth = F.conv2d(F.pad(x, (2, 2, 2, 2), mode="replicate"), self.kernel, groups=self.channels)
            out.append(x - smooth)
            x = smooth[:, :, ::2, ::2]
        return out


def pair_evidence(band: Tensor, floor: float, halve: bool = True) -> Tensor:
    """Transfer, coherence, energy, unexplained and texture (B, 5, H/2, W/2) of one band (B, 2, H, W)."""
    r, t = band[:, :1], band[:, 1:]
    products = torch.cat([r * r, t * t, r * t], 1)
    pooled = (F.avg_pool2d(products, 4, 2, 1, count_include_pad=False) if halve
              else F.avg_pool2d(products, 3, 1, 1, count_include_pad=False))
    r2, t2, rt = pooled.split(1, 1)
    a, b = r2 + floor, t2 + floor
    slope = (rt / a).clamp(-0.5, 2.0)
    left = (t2 - rt * rt / a).clamp_min(0) + floor
    return torch.cat([slope, rt / torch.sqrt(a * b), 0.5 * torch.log(b / a), 0.25 * torch.log(left) + 1.5,
                      0.25 * torch.log(a) + 1.5], 1)


def mix(inside: int, out: int = 16) -> nn.Sequential:
    """A look at one pixel's evidence."""
    return nn.Sequential(nn.Conv2d(inside, out, 1, bias=False), nn.BatchNorm2d(out), nn.ReLU(inplace=True))


class Head(nn.Module):
    """Logits of the cells and, from their distribution and the features', of the picture."""

    def __init__(self, width: int) -> None:
        super().__init__()
        self.cells = nn.Conv2d(width, CLASSES, 1)
        self.hidden = nn.Linear(2 * width + 3 * CLASSES, 96)
        self.image = nn.Linear(96, CLASSES)

    def forward(self, x: Tensor, seen: Tensor | None = None) -> tuple[Tensor, Tensor]:
        cells = self.cells(x)
        probability = F.softmax(cells, dim=1)
        if seen is None:
            mean_x, mean_p = x.mean(dim=(2, 3)), probability.mean(dim=(2, 3))
            kept_x, kept_p = x, probability
        else:
            total = seen.sum(dim=(2, 3)).clamp_min(1.0)
            kept_x, kept_p = x * seen, probability * seen
            mean_x, mean_p = kept_x.sum(dim=(2, 3)) / total, kept_p.sum(dim=(2, 3)) / total
        near = F.avg_pool2d(kept_p, 3, 1, 1)
        features = torch.cat([mean_x, kept_x.amax(dim=(2, 3)), mean_p, kept_p.amax(dim=(2, 3)), near.amax(dim=(2, 3))], 1)
        return cells, self.image(F.relu(self.hidden(features)))


class PairNetwork(nn.Module):
    """Today against the registered reference.

    ``logs`` (B, 3, H, W): log luminance of the reference and of today, each less its median, and where both are seen;
    ``colours`` (B, 6, H/2, W/2): both pictures, 0..1, at half size. H and W are multiples of 16.
    """

    def __init__(self) -> None:
        super().__init__()
        self.bands = Bands(2)
        self.stem = conv(3, 16, 2)
        self.mix0, self.mix1, self.mix2, self.mix3 = mix(11), mix(5), mix(5), mix(10)
        self.down1 = conv(32, 32, 2)
        self.block1 = Residual(32, 24)
        self.down2 = conv(48, 64, 2)
        self.block2 = Residual(64, 32)
        self.down3 = conv(80, 80, 2)
        self.block3 = nn.Sequential(Residual(96, 96), Residual(96, 96, 2), Residual(96, 64, 4))
        self.head = Head(96)

    def forward(self, logs: Tensor, colours: Tensor) -> tuple[Tensor, Tensor]:
        seen = logs[:, 2:]
        bands = self.bands(logs[:, :2])
        ev = [pair_evidence(band, floor, level < BANDS - 1)
              for level, (band, floor) in enumerate(zip(bands, FLOORS, strict=True))]
        x = torch.cat([self.stem(logs), self.mix0(torch.cat([colours, ev[0]], 1))], 1)
        x = self.block1(self.down1(x))
        x = self.block2(self.down2(torch.cat([x, self.mix1(ev[1])], 1)))
        x = self.down3(torch.cat([x, self.mix2(ev[2])], 1))
        x = self.block3(torch.cat([x, self.mix3(torch.cat(ev[3:], 1))], 1))
        return self.head(x, (F.avg_pool2d(seen, CELL_PX) > 0.5).to(x.dtype))


class PictureNetwork(nn.Module):
    """One picture, or several of one camera over changing scenes.

    ``logs`` (B, N, 1, H, W): log luminance less its median; ``colours`` (B, N, 3, H/2, W/2): 0..1 at half size. The
    pictures of a series are encoded alike; the series' answer rests on what they have in common at each place.
    """

    def __init__(self) -> None:
        super().__init__()
        self.bands = Bands(1)
        self.stem = conv(1, 16, 2)
        self.mix0 = mix(5)
        self.down1 = conv(32, 32, 2)
        self.block1 = Residual(32, 24)
        self.one = Trunk(32, 48, 80, 3)
        self.mix_many = mix(3 * 32 + 6, 64)
        self.many = Trunk(64, 64, 112, 3)

    def encode(self, logs: Tensor, colours: Tensor) -> tuple[Tensor, list[Tensor]]:
        bands = self.bands(logs)
        fine = F.avg_pool2d(bands[0] * bands[0], 4, 2, 1, count_include_pad=False)
        half = F.avg_pool2d(bands[1] * bands[1], 3, 1, 1, count_include_pad=False)
        power = torch.cat([0.25 * torch.log(fine + 1e-4) + 1.5, 0.25 * torch.log(half + 1e-4) + 1.5], 1)
        x = torch.cat([self.stem(logs), self.mix0(torch.cat([colours, power], 1))], 1)
        return self.block1(self.down1(x)), bands

    def forward(self, logs: Tensor, colours: Tensor) -> tuple[Tensor, Tensor, Tensor, Tensor]:
        """Logits of the cells and of the picture, each alone (B * N first) and together (B first)."""
        b, n = logs.shape[:2]
        x, bands = self.encode(logs.flatten(0, 1), colours.flatten(0, 1))
        cells, image = self.one(x)
        return (cells, image, *self.together(x, bands, b, n))

    def alone(self, logs: Tensor, colours: Tensor) -> tuple[Tensor, Tensor]:
        return self.one(self.encode(logs, colours)[0])

    def together(self, x: Tensor, bands: list[Tensor], b: int, n: int) -> tuple[Tensor, Tensor]:
        each = x.view(b, n, *x.shape[1:])
        common = [each.mean(dim=1), each.amin(dim=1), each.amax(dim=1)]
        for level in (0, 1, 2):
            band = bands[level].view(b, n, 1, *bands[level].shape[-2:])
            steady, all_ = band.mean(dim=1) ** 2, (band * band).mean(dim=1)
            both = torch.cat([steady, all_], 1)
            if level < 2:
                both = F.avg_pool2d(both, 2 ** (2 - level))
            near = F.avg_pool2d(both, 3, 1, 1, count_include_pad=False) + 2e-5
            common.append(torch.log(near[:, :1] / near[:, 1:]) * 0.5)
            common.append(0.25 * torch.log(near[:, :1]) + 2)
        return self.many(self.mix_many(torch.cat(common, 1)))


class Trunk(nn.Module):
    """From a quarter of the size to cells of a sixteenth, and the answers."""

    def __init__(self, inside: int, c: int, d: int, deep: int) -> None:
        super().__init__()
        self.down2 = conv(inside, c, 2)
        self.block2 = Residual(c, 32)
        self.down3 = conv(c, d, 2)
        self.block3 = nn.Sequential(*(Residual(d, 64, (1, 2, 4)[level]) for level in range(deep)))
        self.head = Head(d)

    def forward(self, x: Tensor) -> tuple[Tensor, Tensor]:
        return self.head(self.block3(self.down3(self.block2(self.down2(x)))))
