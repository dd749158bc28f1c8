"""Writes what the C side knows of the wire from ``platelink.link.messages``.

``python -m platesim.wiregen`` writes the C header, the C test table, the golden vectors and the
tables inside PROTOCOL.md; ``--check`` names the files that differ and exits 1. Works on the
checkout, where those files live.
"""

from __future__ import annotations

import binascii
import inspect
import re
import sys
from collections.abc import Callable, Iterator
from enum import Enum
from pathlib import Path
from typing import Any

from cobs import cobs

from platelink.link import messages as m

ROOT = Path(__file__).resolve().parents[1]
MARK = "written by platesim/wiregen.py; do not edit"
ENUMS: tuple[type[Enum], ...] = (
    m.Output, m.Input, m.OrderState, m.CloseReason, m.SilencePolicy, m.ResetCause, m.Board,
    m.Capability, m.EventCode, m.ReplyCode,
)  # fmt: skip
CODED: dict[str, str] = {
    "inputs": "bits of Input", "outputs": "bits of Output", "capabilities": "bits of Capability",
    "order_state": "OrderState", "state": "OrderState", "close_reason": "CloseReason",
    "reset_cause": "ResetCause", "board": "Board", "silence_policy": "SilencePolicy",
    "output": "Output", "on": "1 on, 0 off", "order": "number of the order",
    "protocol": "protocol version", "order_target": "target of the newest order",
    "Event.code": "EventCode", "Event.arg": "as EventCode notes", "Reply.code": "ReplyCode",
    "Reply.type": "type of the command", "Reply.seq": "sequence number of the command",
}  # fmt: skip
"""Meaning of fields that say nothing in the message table: the codes they hold."""
WIDTHS = {"B": 8, "H": 16, "I": 32, "i": 32, "Q": 64, "q": 64}
FRAME_OVERHEAD = 5
"""Type, sequence number and CRC: bytes of a frame that are not payload."""
MAX_PAYLOAD = 160
FIRST_COMMAND = 0x40


class Field:
    """One field of a message: where it stands and how the C side names its type."""

    def __init__(self, name: str, fmt: str, at: int) -> None:
        self.name, self.at = name, at
        self.count = int(fmt[:-1] or 1)
        self.kind = fmt[-1]
        self.bits = WIDTHS[self.kind]
        self.size = self.count * self.bits // 8

    @property
    def c_type(self) -> str:
        return f"{'' if self.kind.islower() else 'u'}int{self.bits}_t"

    @property
    def wire_type(self) -> str:
        """The type as the tables of the specification print it."""
        base = f"{'i' if self.kind.islower() else 'u'}{self.bits}"
        return base if self.count == 1 else f"{base}[{self.count}]"

    def extremes(self) -> tuple[int, int]:
        top = 1 << self.bits
        return (-top // 2, top // 2 - 1) if self.kind.islower() else (0, top - 1)


def fields(cls: type[Any]) -> list[Field]:
    """The fields of a message class with their offsets."""
    found: list[Field] = []
    at = 0
    for name, fmt in m.layout(cls):
        found.append(Field(name, fmt, at))
        at += found[-1].size
    return found


def snake(name: str) -> str:
    """CamelCase to snake_case."""
    return re.sub(r"(?<!^)(?=[A-Z])", "_", name).lower()


def is_command(code: int) -> bool:
    return code >= FIRST_COMMAND


# --- the C header -----------------------------------------------------------------------------

PRIMITIVES = """\
static inline uint8_t pl_load8(const uint8_t *p) { return p[0]; }
static inline uint16_t pl_load16(const uint8_t *p)
{
    return (uint16_t)((uint16_t)p[0] | (uint16_t)((uint16_t)p[1] << 8));
}
static inline uint32_t pl_load32(const uint8_t *p)
{
    return (uint32_t)pl_load16(p) | ((uint32_t)pl_load16(p + 2) << 16);
}
static inline uint64_t pl_load64(const uint8_t *p)
{
    return (uint64_t)pl_load32(p) | ((uint64_t)pl_load32(p + 4) << 32);
}
static inline void pl_store8(uint8_t *p, uint8_t v) { p[0] = v; }
static inline void pl_store16(uint8_t *p, uint16_t v)
{
    p[0] = (uint8_t)v;
    p[1] = (uint8_t)(v >> 8);
}
static inline void pl_store32(uint8_t *p, uint32_t v)
{
    pl_store16(p, (uint16_t)v);
    pl_store16(p + 2, (uint16_t)(v >> 16));
}
static inline void pl_store64(uint8_t *p, uint64_t v)
{
    pl_store32(p, (uint32_t)v);
    pl_store32(p + 4, (uint32_t)(v >> 32));
}
"""


def _c_enum(enum: type[Enum]) -> Iterator[str]:
    prefix = "PL_" + snake(enum.__name__).upper()
    yield f"enum {{ /* {_prose(enum)} */"
    for member in enum:
        yield f"    {prefix}_{member.name} = {member.value},"
    yield "};"


def _accessors(cls: type[Any]) -> Iterator[str]:
    message = snake(cls.__name__)
    for field in fields(cls):
        index = "" if field.count == 1 else ", uint8_t i"
        place = "p" if field.at == 0 else f"p + {field.at}"
        if field.count > 1:
            place += f" + {field.bits // 8}u * i"
        stem = f"{message}_{field.name}"
        yield f"static inline {field.c_type} pl_get_{stem}(const uint8_t *p{index})"
        yield f"{{ return ({field.c_type})pl_load{field.bits}({place}); }}"
        yield f"static inline void pl_set_{stem}(uint8_t *p{index}, {field.c_type} v)"
        yield f"{{ pl_store{field.bits}({place}, (uint{field.bits}_t)v); }}"


def c_header() -> str:
    """pl_wire.h: codes, sizes and one getter and setter for each field of each message."""
    commands = [code for code in m.TYPES if is_command(code)]
    answers = [code for code in m.TYPES if not is_command(code)]
    lines = [
        f"/* The wire as the firmware knows it; {MARK}.",
        " * Byte order and padding of the machine do not matter: every field is loaded and stored",
        " * byte by byte. */",
        "#ifndef PL_WIRE_H",
        "#define PL_WIRE_H",
        "",
        "#include <stdint.h>",
        "",
        f"#define PL_PROTOCOL_VERSION {m.PROTOCOL_VERSION}u",
        f"#define PL_LIGHT_CHANNELS {m.LIGHT_CHANNELS}u",
        f"#define PL_MAX_PAYLOAD {MAX_PAYLOAD}u",
        f"#define PL_FRAME_OVERHEAD {FRAME_OVERHEAD}u /* type, sequence number, CRC */",
        f"#define PL_MAX_COMMAND {max(m.SIZES[code] for code in commands)}u /* payload bytes */",
        f"#define PL_MAX_ANSWER {max(m.SIZES[code] for code in answers)}u /* payload bytes */",
        f"#define PL_FIRST_COMMAND 0x{FIRST_COMMAND:02X}u /* lower types travel from the device */",
        "",
    ]
    for enum in ENUMS:
        lines += [*_c_enum(enum), ""]
    for code, cls in m.TYPES.items():
        name = snake(cls.__name__).upper()
        lines += [f"#define PL_{name} 0x{code:02X}u", f"#define PL_{name}_SIZE {m.SIZES[code]}u"]
    lines += [
        "",
        "#define PL_NOT_A_COMMAND 0xFFu",
        "/* Payload bytes of a command, PL_NOT_A_COMMAND for any other type. */",
        "static inline uint8_t pl_command_size(uint8_t type)",
        "{",
        "    switch (type) {",
    ]
    for code in commands:
        name = snake(m.TYPES[code].__name__).upper()
        lines.append(f"    case PL_{name}: return PL_{name}_SIZE;")
    lines += ["    default: return PL_NOT_A_COMMAND;", "    }", "}", "", PRIMITIVES.rstrip()]
    for cls in m.TYPES.values():
        accessors = list(_accessors(cls))
        if accessors:
            lines += ["", f"/* {cls.__name__} */", *accessors]
    lines += ["", "#endif"]
    return "\n".join(lines) + "\n"


def c_test_table() -> str:
    """wire_all.h: every message written from and read into a row of flat values, for the tests."""
    lines = [
        f"/* Every message to and from flat values; {MARK}. */",
        "#ifndef WIRE_ALL_H",
        "#define WIRE_ALL_H",
        "",
        '#include "pl_wire.h"',
        "",
        "/* Returns the payload size, -1 for an unknown type. */",
        "static int wire_write(uint8_t type, const int64_t *v, uint8_t *p)",
        "{",
        "    switch (type) {",
    ]
    lines += _cases(lambda f, stem, i, n: f"pl_set_{stem}(p{i}, ({f.c_type})v[{n}]);")
    lines += [
        "    default: (void)v; (void)p; return -1;",
        "    }",
        "}",
        "",
        "/* Returns the number of values, -1 for an unknown type. 64-bit ones keep their bits. */",
        "static int wire_read(uint8_t type, const uint8_t *p, int64_t *v)",
        "{",
        "    switch (type) {",
    ]
    lines += _cases(lambda f, stem, i, n: f"v[{n}] = (int64_t)pl_get_{stem}(p{i});", values=True)
    lines += ["    default: (void)p; (void)v; return -1;", "    }", "}", "", "#endif"]
    return "\n".join(lines) + "\n"


def _cases(line: Callable[[Field, str, str, int], str], *, values: bool = False) -> list[str]:
    lines: list[str] = []
    for code, cls in m.TYPES.items():
        lines.append(f"    case 0x{code:02X}:")
        n = 0
        for field in fields(cls):
            stem = f"{snake(cls.__name__)}_{field.name}"
            for i in range(field.count):
                index = "" if field.count == 1 else f", {i}"
                lines.append(f"        {line(field, stem, index, n)}")
                n += 1
        lines.append(f"        return {n if values else m.SIZES[code]};")
    return lines


# --- golden vectors ---------------------------------------------------------------------------


def wire(code: int, seq: int, payload: bytes) -> bytes:
    """The whole frame as it travels."""
    body = bytes([code]) + seq.to_bytes(2, "little") + payload
    return bytes(cobs.encode(body + binascii.crc_hqx(body, 0xFFFF).to_bytes(2, "big"))) + b"\0"


def values(message: Any) -> str:
    """The values of a message in wire order, '-' where it has none."""
    flat: list[int] = []
    for value in message:
        flat.extend(value if isinstance(value, tuple) else (value,))
    return ",".join(map(str, flat)) or "-"


def _filled(cls: type[Any], value: Callable[[Field, int], int]) -> Any:
    n = 0
    made: list[Any] = []
    for field in fields(cls):
        items = tuple(value(field, n + i) for i in range(field.count))
        n += field.count
        made.append(items if field.count > 1 else items[0])
    return cls._make(made)


def _mixed(field: Field, n: int) -> int:
    """A value with its own bytes in each place, so that a swapped field or byte shows."""
    raw = int.from_bytes(bytes((0x11 * (n + 1) + 0x35 * k) % 256 for k in range(field.bits // 8)))
    low, high = field.extremes()
    return raw if raw <= high else raw + 2 * low


def golden() -> str:
    """One line a frame: type, name, sequence number, values, payload, frame."""
    lines = [
        f"# Golden frames; {MARK}. type name seq values payload frame ('-': none)",
        "# Values are decimal in wire order; payload and frame are hex, the frame with its 0x00.",
    ]
    for code, cls in m.TYPES.items():
        rows = (
            (0x0000, lambda f, n: 0),
            (0xFFFF, lambda f, n: -1 if f.kind.islower() else f.extremes()[1]),
            (0x0100, lambda f, n: f.extremes()[n % 2]),
            (0x1234, _mixed),
        )
        for seq, value in rows[: 4 if m.SIZES[code] else 2]:
            message = _filled(cls, value)
            payload = m.pack(message)[1]
            row = [f"{code:02x}", cls.__name__, str(seq), values(message), payload.hex() or "-"]
            lines.append(" ".join([*row, wire(code, seq, payload).hex()]))
    return "\n".join(lines) + "\n"


# --- tables of the specification --------------------------------------------------------------


def _comments(cls: type[Any]) -> dict[str, str]:
    """The comment that stands behind each name in the source of the message table."""
    found = {}
    for line in inspect.getsource(cls).splitlines():
        if match := re.match(r"    (\w+)(?::| =)[^#]*(?:#\s*(.*))?$", line):
            found[match[1]] = (match[2] or "").replace("|", "\\|")
    return found


def _prose(cls: type[Any]) -> str:
    """The docstring as one line of Markdown."""
    return re.sub(r"\s+", " ", inspect.getdoc(cls) or "").replace("``", "`")


def _message_table(code: int, cls: type[Any]) -> Iterator[str]:
    yield f"#### 0x{code:02X} {cls.__name__} ({m.SIZES[code]} bytes)"
    yield ""
    yield _prose(cls)
    yield ""
    if not cls._fields:
        return
    comments = _comments(cls)
    yield "| at | type | field | meaning |"
    yield "| ---: | --- | --- | --- |"
    for field in fields(cls):
        meaning = (
            comments[field.name]
            or CODED.get(f"{cls.__name__}.{field.name}")
            or CODED.get(field.name, "")
        )
        yield f"| {field.at} | {field.wire_type} | `{field.name}` | {meaning} |"
    yield ""


def protocol_tables() -> dict[str, str]:
    """Text of each generated section of PROTOCOL.md by its marker's name."""
    codes: list[str] = []
    for enum in ENUMS:
        comments = _comments(enum)
        codes += [f"#### {enum.__name__}", "", _prose(enum), ""]
        if any(comments[e.name] for e in enum):
            codes += ["| value | name | meaning |", "| ---: | --- | --- |"]
            codes += [f"| {e.value} | `{e.name}` | {comments[e.name]} |" for e in enum]
        else:
            codes += ["| value | name |", "| ---: | --- |"]
            codes += [f"| {e.value} | `{e.name}` |" for e in enum]
        codes.append("")

    def section(commands: bool) -> str:
        lines: list[str] = []
        for code, cls in m.TYPES.items():
            if is_command(code) is commands:
                lines += _message_table(code, cls)
        return "\n".join(lines).rstrip()

    return {
        "version": f"This text describes protocol version **{m.PROTOCOL_VERSION}**.",
        "device-messages": section(False),
        "commands": section(True),
        "codes": "\n".join(codes).rstrip(),
    }


def protocol(text: str) -> str:
    """PROTOCOL.md with its generated sections renewed."""
    for name, table in protocol_tables().items():
        begin, end = f"<!-- {name}: {MARK} -->", f"<!-- end of {name} -->"
        head, found, rest = text.partition(begin)
        _, closed, tail = rest.partition(end)
        if not (found and closed):
            raise SystemExit(f"PROTOCOL.md: the section '{begin}' ... '{end}' is missing")
        text = f"{head}{begin}\n{table}\n{end}{tail}"
    return text


def outputs() -> dict[Path, str]:
    """Path and text of everything this program writes."""
    specification = ROOT / "PROTOCOL.md"
    return {
        ROOT / "firmware/core/pl_wire.h": c_header(),
        ROOT / "firmware/test/wire_all.h": c_test_table(),
        ROOT / "vectors/golden.txt": golden(),
        specification: protocol(specification.read_text(encoding="utf-8")),
    }


def main(arguments: list[str]) -> int:
    """Write, or with ``--check`` compare; 1 when a file differs."""
    wanted = outputs()
    differing = [p for p in wanted if not p.exists() or p.read_text("utf-8") != wanted[p]]
    if "--check" in arguments:
        for path in differing:
            sys.stderr.write(f"{path} differs from the message table; "
                             "run: python -m platesim.wiregen\n")  # fmt: skip
        return 1 if differing else 0
    for path in differing:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(wanted[path], encoding="utf-8")
        sys.stdout.write(f"wrote {path}\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
