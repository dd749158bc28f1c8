"""The firmware's own C tests, compiled with all warnings and run under the sanitizers."""

from __future__ import annotations

import os
import subprocess
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

FIRMWARE = Path(__file__).resolve().parents[2] / "firmware-sim" / "firmware"
GOLDEN = FIRMWARE.parent / "vectors" / "golden.txt"
WARNINGS = ["-std=c11", "-Wall", "-Wextra", "-Werror", "-Wconversion", "-Wshadow", "-pedantic"]
SANITIZERS = ["-fsanitize=address,undefined", "-fno-sanitize-recover=all", "-g", "-O1"]


def run(*command: str | Path) -> str:
    done = subprocess.run(
        [*map(str, command)], capture_output=True, text=True, timeout=100, check=False
    )
    assert done.returncode == 0, f"{command[0]} ended with {done.returncode}\n" + (
        done.stdout + done.stderr
    )
    return done.stdout


def test_c_tests_pass_under_the_sanitizers(tmp_path: Path) -> None:
    sources = sorted((FIRMWARE / "core").glob("*.c")) + sorted((FIRMWARE / "test").glob("*.c"))
    assert len(sources) >= 20

    def compiled(source: Path) -> Path:
        out = tmp_path / f"{source.stem}.o"
        includes = [f"-I{FIRMWARE / 'core'}", f"-I{FIRMWARE / 'test'}"]
        run("cc", *WARNINGS, *SANITIZERS, *includes, "-c", source, "-o", out)
        return out

    with ThreadPoolExecutor(os.cpu_count()) as pool:
        objects = list(pool.map(compiled, sources))
    run("cc", *SANITIZERS, *objects, "-o", tmp_path / "firmware-tests")
    said = run(tmp_path / "firmware-tests", GOLDEN)
    print(said)
    assert said.splitlines()[-1].endswith(" 0 failed")


def test_core_names_no_float_no_allocation_and_no_library_but_string() -> None:
    for path in sorted((FIRMWARE / "core").iterdir()):
        text = path.read_text(encoding="utf-8")
        included = {line.split()[1] for line in text.splitlines() if line.startswith("#include <")}
        assert included <= {"<stdint.h>", "<stdbool.h>", "<stddef.h>", "<string.h>"}, path
        for word in ("float", "double", "malloc", "calloc", "alloca"):
            assert word not in text.split(), f"{path} says {word}"


def test_core_divides_nowhere(tmp_path: Path) -> None:
    """64-bit division is a slow library call on an 8-bit machine; the core has none of any width.

    Read off the compiled code: no division instruction and no call of a division routine.
    """
    for source in sorted((FIRMWARE / "core").glob("*.c")):
        listing = run("cc", "-std=c11", "-O0", "-S", f"-I{FIRMWARE / 'core'}", source, "-o", "-")
        mnemonics = {line.split()[0] for line in listing.splitlines() if line.startswith("\t")}
        assert not {word for word in mnemonics if word.startswith(("div", "idiv", "udiv", "sdiv"))}
        assert "divdi3" not in listing
