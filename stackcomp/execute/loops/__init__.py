"""Fused loops as machine code.

A `stackcomp.plan.program.Program` is written as LLVM code on vectors of pixels (`program_code`), in which
each pixel function is evaluated by `algebra`, with powers and logarithms from `vector_maths` and 16-bit floats
from `half`. `machine` compiles it for the processor that it runs on and loads it. `stackcomp.execute.fuse` is
the way in.
"""
