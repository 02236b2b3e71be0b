"""The shipped net back in PyTorch: its 8-bit weights as floats, every batch norm that followed a convolution folded."""

from __future__ import annotations

import ast
from dataclasses import replace
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


@torch.no_grad()
def with_norms(net: Net, given: tuple[Tensor, ...], dropout: float) -> Net:
    """The same function with a batch norm after every convolution of the blocks again, so that it can be fitted on as
    a new net is: what the convolutions give on the positions `given` sets the norms' statistics, and their gains and
    shifts undo them."""
    new = Net(replace(net.shape, dropout=dropout))
    state = {name: value for name, value in net.state_dict().items() if name in new.state_dict()}
    norms = {"stem": "stem_norm"} | {
        f"{block}.{conv}": f"{block}.{norm}"
        for block in [*(f"body.{i}" for i in range(len(net.body))), "late"]
        for conv, norm in (("c1", "b1"), ("c2", "b2"))
    }
    modules, means, spreads = dict(net.named_modules()), {}, {}
    hooks = []
    for conv in norms.keys() & modules.keys():

        def look(_: nn.Module, __: object, out: Tensor, conv: str = conv) -> None:
            means[conv], spreads[conv] = out.mean((0, 2, 3)), out.std((0, 2, 3)).clamp(min=1e-3)

        hooks.append(modules[conv].register_forward_hook(look))
    net.eval()(*given)
    for hook in hooks:
        hook.remove()
    for conv, mean in means.items():
        norm, spread = norms[conv], spreads[conv]
        state[f"{conv}.weight"] = modules[conv].weight / spread[:, None, None, None]
        state[f"{norm}.weight"], state[f"{norm}.bias"] = spread, mean
        state[f"{norm}.running_mean"] = (mean - modules[conv].bias) / spread
        state[f"{norm}.running_var"] = torch.ones_like(mean)
        state[f"{norm}.num_batches_tracked"] = torch.tensor(0)
    new.load_state_dict(state)
    return new


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
