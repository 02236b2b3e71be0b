"""Write trapscan/report/scan.schema.json anew from the records of trapscan/contract, after a change of them."""

from __future__ import annotations

from pathlib import Path

import trapscan.report.schema as schema


def main() -> None:
    path = Path(schema.__file__).with_name(schema.SCHEMA_FILE)
    path.write_text(schema.schema_text(), encoding="utf-8")
    print(f"{path.name}: {path.stat().st_size} bytes")


if __name__ == "__main__":
    main()
