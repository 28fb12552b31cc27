"""The examples of router/api/API.md, run in their order."""

from __future__ import annotations

import json
import re
from pathlib import Path

from api_client import client_of, small_desk

import router.api
from router.worker import Worker

PAGE = Path(router.api.__file__).parent / "API.md"


def test_the_examples_of_the_page_do_what_it_says(tmp_path: Path) -> None:
    desk = small_desk(tmp_path)
    client = client_of(desk)
    known: dict[str, str] = {}
    text = PAGE.read_text(encoding="utf-8")
    blocks = re.findall(r"```http\n(.*?)```\n?([^`]*)", text, re.S)
    assert len(blocks) == 26
    for block, after in blocks:
        for name, value in known.items():
            block = block.replace("{" + name + "}", value)
        first, *rest = block.strip().split("\n")
        method, path = first.split(" ", 1)
        headers = dict(x.split(": ", 1) for x in rest if re.match(r"[A-Z][\w-]+: ", x))
        bodies = [x for x in rest if x.startswith("{")]
        files = [x.removeprefix("files: ").split(" = ", 1) for x in rest if x.startswith("files: ")]
        answer = client.request(
            method,
            path,
            headers=headers,
            json=json.loads(bodies[0]) if bodies else None,
            files={"files": (files[0][0], files[0][1])} if files else None,
        )
        promised = re.search(r"Answers (\d+)", after)
        assert answer.status_code == (int(promised[1]) if promised else 200), (first, answer.text)
        told = answer.json() if answer.content and answer.headers["content-type"] == "application/json" else {}
        told = told if isinstance(told, dict) else {}
        known |= {k: str(v) for k, v in told.items() if k in ("import_id", "job_id", "event_id", "what_if_id")}
        if path.endswith("/site-choices"):
            assert Worker(desk).once()
        if path.endswith("/runs"):
            assert Worker(desk).once()
            job = client.get(f"/api/v1/runs/{known['job_id']}").json()
            known["plan_id"] = str(job["result"]["plan_id"])
            build = client.get(f"/api/v1/plans/{known['plan_id']}/builds").json()[0]
            known |= {"build_id": build["build_id"], "machine_id": build["machine_id"]}
