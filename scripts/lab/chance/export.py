"""Fitted weights as the file that is shipped: batch norms folded, 8-bit weights, ONNX."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import TensorProto, helper, numpy_helper
from torch import Tensor, nn
from torch.nn import functional as F

from scripts.lab.chance.data import HISTORY
from scripts.lab.chance.network import CONTEXT, Attend, Convolve, Late, Net

ABOUT = "fitted on 249,098 open-data online games (CC0), 2013-2023, folds 5-99, and on the opinion of two nets of them"


class Shipped(nn.Module):
    """Many positions at many levels, to logits (positions x levels, 4096): the trunk runs once a position, the last
    convolution and the output once a level. Takes the net after `fold`."""

    def __init__(self, net: Net) -> None:
        super().__init__()
        self.net = net

    def forward(self, squares: Tensor, marks: Tensor, attackers: Tensor, context: Tensor, level: Tensor) -> Tensor:
        x = self.net.trunk(squares, marks, attackers, context)
        late, w = self.net.late, self.net.shape.width
        gain, shift, gain2, shift2 = late.level(level).reshape(1, -1, 4 * w, 1).split(w, 2)
        y = F.relu(late.before(x).reshape(-1, 1, w, 64) * (1 + gain) + shift).reshape(-1, w, 8, 8)
        kept = (x.reshape(-1, 1, w, 64) * (1 + gain2) + shift2).reshape(-1, w, 8, 8)
        return self.net.output(F.relu(kept + late.se(late.c2(y))))


def folded(conv: nn.Conv2d, norm: nn.BatchNorm2d | nn.Identity) -> nn.Conv2d:
    """The convolution with the batch norm after it worked in; as it is where that was done."""
    if isinstance(norm, nn.Identity):
        return conv
    gain = norm.weight / torch.sqrt(norm.running_var + norm.eps)
    out = nn.Conv2d(conv.in_channels, conv.out_channels, conv.kernel_size, padding=conv.padding)
    out.weight.data = (conv.weight * gain[:, None, None, None]).detach()
    out.bias.data = (norm.bias - norm.running_mean * gain).detach()
    return out


def fold(net: Net) -> None:
    """Works in every batch norm that follows a convolution."""
    net.stem, net.stem_norm = folded(net.stem, net.stem_norm), nn.Identity()
    for block in [*net.body, net.late]:
        if isinstance(block, Convolve | Late):
            block.c1, block.b1 = folded(block.c1, block.b1), nn.Identity()
            block.c2, block.b2 = folded(block.c2, block.b2), nn.Identity()
        else:
            assert isinstance(block, Attend)


def shrink(model: onnx.ModelProto) -> None:
    """Weight tensors as 8-bit integers with one scale a row (an output channel); small ones as 16-bit floats."""
    kept, restore = [], []
    for tensor in model.graph.initializer:
        value = numpy_helper.to_array(tensor)
        name = tensor.name
        if value.dtype != np.float32 or value.size < 256:
            kept.append(tensor)
            continue
        if value.ndim == 4:
            scale = np.abs(value).reshape(len(value), -1).max(1).clip(1e-8) / 127
            scale = scale.astype(np.float32).reshape(-1, 1, 1, 1)
            kept.append(numpy_helper.from_array(np.round(value / scale).clip(-127, 127).astype(np.int8), name + ".8"))
            kept.append(numpy_helper.from_array(scale, name + ".scale"))
            restore.append(helper.make_node("Cast", [name + ".8"], [name + ".32"], to=TensorProto.FLOAT))
            restore.append(helper.make_node("Mul", [name + ".32", name + ".scale"], [name]))
        else:
            kept.append(numpy_helper.from_array(value.astype(np.float16), name + ".16"))
            restore.append(helper.make_node("Cast", [name + ".16"], [name], to=TensorProto.FLOAT))
    nodes = list(model.graph.node)
    del model.graph.initializer[:], model.graph.node[:]
    model.graph.initializer.extend(kept)
    model.graph.node.extend(restore + nodes)
    for node in model.graph.node:
        node.doc_string = ""


def write(net: Net, path: Path, about: str = "") -> None:
    """Writes the net, norms folded or not; says how far the file's logits are from the net's on random boards."""
    net.eval()
    fold(net)
    example = {
        "squares": torch.randint(0, 13, (3, 64)),
        "marks": torch.zeros(3, 64, 2 * HISTORY),
        "attackers": torch.randint(0, 3, (3, 64, 6)).float(),
        "context": torch.rand(3, CONTEXT),
        "level": torch.rand(8, 2),
    }
    free = {name: {0: "positions"} for name in example} | {"level": {0: "levels"}, "logits": {0: "both"}}
    torch.onnx.export(
        Shipped(net), tuple(example.values()), path, input_names=list(example), output_names=["logits"],
        dynamic_axes=free, dynamo=False, opset_version=17,
    )  # fmt: skip
    model = onnx.load(path)
    shrink(model)
    helper.set_model_props(model, {"shape": str(net.shape.plain()), "about": about or ABOUT})
    onnx.checker.check_model(model)
    onnx.save(model, path)
    net.eval()  # exporting switches back to training
    with torch.no_grad():
        exact = Shipped(net)(*example.values()).numpy()
    import onnxruntime

    session = onnxruntime.InferenceSession(path, providers=["CPUExecutionProvider"])
    got = session.run(None, {name: value.numpy() for name, value in example.items()})[0]
    print(f"{path}: largest difference of a logit on random boards: {np.abs(got - exact).max():.4f}")
