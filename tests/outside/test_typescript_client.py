"""Types that a second generator makes of the API document compile, and are no mere `unknown`."""

import json
import shutil
from pathlib import Path

from tests.house.write_openapi import COMMITTED
from tests.outside.node_tools import FOLDER, run_tool

EXAMPLE = """
import type { components } from "./schema";
export const result: components["schemas"]["Submission"] = %s;
"""


def test_the_generated_types_compile_and_fit_the_examples(tmp_path: Path) -> None:
    made = run_tool("openapi-typescript", COMMITTED, "--output", tmp_path / "schema.ts")
    assert made.returncode == 0, made.stderr
    shutil.copy(FOLDER / "uses.ts", tmp_path)
    body = json.loads(COMMITTED.read_text())["paths"]["/v1/submissions"]["post"]["requestBody"]
    example = json.dumps(body["content"]["application/json"]["example"])
    (tmp_path / "example.ts").write_text(EXAMPLE % example)
    compiled = run_tool("tsc", "--noEmit", "--strict", *sorted(tmp_path.glob("*.ts")))
    assert (compiled.returncode, compiled.stdout) == (0, "")
