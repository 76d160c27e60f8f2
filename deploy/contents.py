"""Prints what is in a bundle, FOLDER/wheels: each package once, its version, its licence by its own word."""

import email
import sys
import zipfile
from pathlib import Path

lines = ["bellwatch\tMIT"]
for wheel in sorted(Path(sys.argv[1], "wheels").glob("*.whl")):
    (info,) = [it for it in zipfile.Path(wheel).iterdir() if it.name.endswith(".dist-info")]
    said = email.message_from_string((info / "METADATA").read_text(encoding="utf-8"))  # core metadata, PyPA
    classes = [it.split(" :: ")[-1] for it in said.get_all("Classifier", []) if it.startswith("License ::")]
    free = (said["License"] or "its text is in the wheel").strip().splitlines()[0]
    terms = said["License-Expression"] or ", ".join(classes) or free
    lines.append(f"{said['Name']} {said['Version']}\t{terms}")
print(*dict.fromkeys(lines), sep="\n")
