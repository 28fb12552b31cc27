"""Why a line is built where it is."""

from __future__ import annotations

import difflib
from collections.abc import Mapping, Sequence
from pathlib import Path

from router.domain.plan import Build
from router.domain.result import LineOptions
from router.formats import read_result
from router.kernel.faults import NotFound
from router.report.own_plates import own_plates


def explain_line(result_folder: Path, line_id: str) -> tuple[LineOptions, Mapping[str, Sequence[Build]]]:
    """The options of one line of a finished run, and the plates it is on, by site.

    Raises NotFound, naming near misses, for an unknown line.
    """
    result = read_result(result_folder)
    for options in result.options:
        if options.line_id == line_id:
            return options, own_plates(result.plan, line_id)
    near = difflib.get_close_matches(line_id, [o.line_id for o in result.options], 3, 0.5)
    hint = f"; did you mean {', '.join(near)}?" if near else ""
    raise NotFound(f"no line {line_id!r} in {result_folder}{hint}")
