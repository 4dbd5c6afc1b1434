"""A page set by Typst from a template of ours and plain data. The data goes in as JSON, so nothing in it is ever
evaluated, and with the fonts that are shipped alone, so that a page looks alike everywhere."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from companion.engraving import fonts
from companion.errors import EngravingError

__all__ = ["typeset_pdf"]


def typeset_pdf(template: Path, sheet: Mapping[str, Any], too_many: str) -> bytes:
    """The PDF of a template, to which `sheet` is handed as `sys.inputs.sheet`.

    Raises
    ------
    EngravingError
        With `too_many` as its text, where it can't be made as one file.
    """
    import typst

    chosen = typst.Fonts(include_system_fonts=False, include_embedded_fonts=False, font_paths=[str(fonts.FOLDER)])
    made = typst.Compiler(font_paths=chosen).compile(
        template.read_bytes(), format="pdf", sys_inputs={"sheet": json.dumps(sheet)}
    )
    if not isinstance(made, bytes):
        raise EngravingError(too_many)
    return made
