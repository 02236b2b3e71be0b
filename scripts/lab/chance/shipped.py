"""The shipped net back in PyTorch: its 8-bit weights as floats, every batch norm that followed a convolution folded."""

from __future__ import annotations

import ast
from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import numpy_helper
from torch import Tensor, nn

from scripts.lab.chance.network import Convolve, Late, Net, Shape

ATTACKERS = "onnx::MatMul"
"""How the exporter names the one weight it stores turned round: that of the attackers' layer."""


def read_shipped(path: Path) -> Net:
    """The net of an exported file, as `fold` leaves it, ready to be fitted further. Parts that only serve fitting
    (the reply, the result) are as new. Raises ValueError where a weight is missing."""
    model = onnx.load(path)
    said = {entry.key: entry.value for entry in model.metadata_props}
    net = Net(Shape(**ast.literal_eval(said["shape"])))
    without_norms(net)
    stored = {tensor.name: numpy_helper.to_array(tensor) for tensor in model.graph.initializer}
    state = net.state_dict()
    for name in state:
        found = _weight(stored, name)
        if found is not None:
            state[name] = found.reshape(state[name].shape)
        elif not name.startswith(("reply_", "result.")) and not name.endswith("num_batches_tracked"):
            raise ValueError(f"{path.name} holds no {name}")
    net.load_state_dict(state)
    return net.eval()


def without_norms(net: Net) -> None:
    """Convolutions with a bias and nothing after them, as in the exported net."""
    net.stem, net.stem_norm = _with_bias(net.stem), nn.Identity()
    for block in [*net.body, net.late]:
        if isinstance(block, Convolve | Late):
            block.c1, block.b1 = _with_bias(block.c1), nn.Identity()
            block.c2, block.b2 = _with_bias(block.c2), nn.Identity()


def _with_bias(conv: nn.Conv2d) -> nn.Conv2d:
    return nn.Conv2d(conv.in_channels, conv.out_channels, conv.kernel_size, padding=conv.padding)


def _weight(stored: dict[str, np.ndarray], name: str) -> Tensor | None:
    """A weight by its name in the net, whatever form it is stored in."""
    name = f"net.{name}"
    for key in (name, f"{name}.16"):
        if key in stored:
            return torch.from_numpy(stored[key].astype(np.float32))
    if f"{name}.8" in stored:
        return torch.from_numpy(stored[f"{name}.8"].astype(np.float32) * stored[f"{name}.scale"])
    if name == "net.attackers.weight":
        (turned,) = (value for key, value in stored.items() if key.startswith(ATTACKERS))
        return torch.from_numpy(turned.astype(np.float32).T.copy())
    return None
