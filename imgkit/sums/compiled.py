"""The rotating sum as machine code, for one stretch and for four side by side: needs llvmlite, which `[fast]` brings.

The loops are written in the language of the compiler's middle (LLVM IR), since importing a compiler for Python would
take longer than summing a gibibyte.
"""

import ctypes
from typing import Any

import llvmlite.binding as llvm  # type: ignore[import-untyped]

LANES = 4
"""How many stretches one loop sums: a sum waits for itself at every byte, four of them wait together."""

_STATE_BYTES = 2
_CALL = ctypes.CFUNCTYPE(None, ctypes.c_void_p, ctypes.c_int64, ctypes.c_int64, ctypes.c_void_p)

_ROTATE = "declare i16 @llvm.fshr.i16(i16, i16, i16)\n"
_HEAD = """
define void @advance{lanes}(ptr readonly %rows, i64 %stride, i64 %count, ptr %states) {{
start:
"""
_PREPARE = """
  %place{n} = getelementptr inbounds i16, ptr %states, i64 {n}
  %first{n} = load i16, ptr %place{n}
  %skip{n} = mul i64 %stride, {n}
  %row{n} = getelementptr inbounds i8, ptr %rows, i64 %skip{n}
"""
_ENTER = """
  %is_empty = icmp eq i64 %count, 0
  br i1 %is_empty, label %end, label %loop
loop:
  %index = phi i64 [ 0, %start ], [ %next, %loop ]
"""
_STATE = "  %state{n} = phi i16 [ %first{n}, %start ], [ %sum{n}, %loop ]\n"
_STEP = """
  %at{n} = getelementptr inbounds i8, ptr %row{n}, i64 %index
  %byte{n} = load i8, ptr %at{n}
  %wide{n} = zext i8 %byte{n} to i16
  %turned{n} = call i16 @llvm.fshr.i16(i16 %state{n}, i16 %state{n}, i16 1)
  %sum{n} = add i16 %turned{n}, %wide{n}
"""
_AGAIN = """
  %next = add nuw i64 %index, 1
  %goes_on = icmp ult i64 %next, %count
  br i1 %goes_on, label %loop, label %end
end:
"""
_LAST = "  %last{n} = phi i16 [ %first{n}, %start ], [ %sum{n}, %loop ]\n"
_STORE = "  store i16 %last{n}, ptr %place{n}\n"
_TAIL = "  ret void\n}\n"


def _loop_text(lanes: int) -> str:
    """The loop for so many lanes: rotate each state right by one, add its row's next byte, keep 16 bits."""

    def each(text: str) -> str:
        return "".join(text.format(n=n) for n in range(lanes))

    parts = (_HEAD.format(lanes=lanes), each(_PREPARE), _ENTER, each(_STATE), each(_STEP), _AGAIN, each(_LAST))
    return "".join((*parts, each(_STORE), _TAIL))


def _compile() -> Any:
    llvm.initialize_native_target()
    llvm.initialize_native_asmprinter()
    module = llvm.parse_assembly(_ROTATE + _loop_text(1) + _loop_text(LANES))
    module.verify()
    machine = llvm.Target.from_default_triple().create_target_machine(opt=3)
    engine = llvm.create_mcjit_compiler(module, machine)
    engine.finalize_object()
    return engine


_engine = _compile()
_loops = {lanes: _CALL(_engine.get_function_address(f"advance{lanes}")) for lanes in (1, LANES)}


def advance(rows: memoryview, stride: int, count: int, states: bytearray) -> None:
    """The rotating sums after `count` bytes of each row, from `states` on and into it; other threads run meanwhile.

    Row n starts at byte n × `stride` of `rows`; `states` holds one or `LANES` 16-bit numbers in the machine's order.
    """
    lanes = len(states) // _STATE_BYTES
    if count == 0:
        return
    assert 0 < (lanes - 1) * stride + count <= rows.nbytes
    data = rows if not rows.readonly else memoryview(bytearray(rows))
    _loops[lanes](_address(data), stride, count, _address(states))


def _address(buffer: memoryview | bytearray) -> int:
    return ctypes.addressof(ctypes.c_char.from_buffer(buffer))
