"""Turn fitted weights into the file the package ships: batch norms folded, 8-bit weights, ONNX. Needs PyTorch and onnx.

scripts/run export_chance net.pt trapscan/chance/policy.onnx
"""

import argparse
from pathlib import Path

import torch

from scripts.lab.chance.export import ABOUT, write
from scripts.lab.chance.network import Net, Shape


def main() -> None:
    ask = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    ask.add_argument("weights", type=Path)
    ask.add_argument("out", type=Path)
    ask.add_argument("--about", default=ABOUT)
    args = ask.parse_args()
    saved = torch.load(args.weights, map_location="cpu", weights_only=True)
    net = Net(Shape(**saved["shape"]))
    net.load_state_dict({k: v.float() if v.is_floating_point() else v for k, v in saved["state"].items()})
    write(net, args.out, args.about)
    print(f"{args.out}: {args.out.stat().st_size} bytes")


if __name__ == "__main__":
    main()
