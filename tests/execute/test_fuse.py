"""Generated loops: their text, their cache, and that they compute what the pixel functions say."""

import platform
import re
import sys
import threading

import numpy as np
import pytest

from stackcomp.execute import fuse
from stackcomp.execute.fuse import compiled, source_of
from stackcomp.nodes.pixel import pixel
from stackcomp.plan.program import Lane, Op, Program


@pixel
def gain(r, g, b, k):
    return r * k, g * k, b * k


@pixel
def lift(r, g, b, k):
    return r + k, g + k, b + k


PLANES = tuple(Lane("plane", index=k) for k in range(4))
TWO_OPS = Program(
    groups=(4,),
    ops=(
        Op(gain, PLANES[:3], numbers=1),
        Op(lift, tuple(Lane("op", 0, k) for k in range(3)), numbers=1, alpha=PLANES[3]),
    ),
    outputs=((0, 0), (1, 0), (1, 1), (1, 2)),
)


@pytest.fixture
def cache(tmp_path, monkeypatch):
    """A compiled-loop cache of the test's own, as if in a new process."""
    monkeypatch.setenv("STACKCOMP_CACHE", str(tmp_path / "loops"))
    monkeypatch.setattr(fuse, "_folder", None)
    monkeypatch.setattr(fuse, "_loaded", {})
    return tmp_path / "loops"


def run(program, planes, numbers, shape=(5, 7)):
    outputs = [np.full(shape, np.nan, np.float32) for _ in program.outputs]
    compiled(program)(
        0,
        shape[0],
        shape[1],
        np.array(numbers, np.float32),
        np.zeros(program.integers, np.int64),
        *planes,
        *outputs,
    )
    return outputs


def test_two_operations_in_one_loop_with_premultiplied_light():
    rng = np.random.default_rng(3)
    planes = [rng.random((5, 7), dtype=np.float32) for _ in range(4)]
    planes[3][0, :3] = 0
    first, *rest = run(TWO_OPS, planes, [2.0, 0.25])
    np.testing.assert_array_equal(first, planes[0] * 2)
    alpha = planes[3].astype(np.float64)
    for k in range(3):
        colour = planes[k].astype(np.float64) * 2
        with np.errstate(divide="ignore", invalid="ignore"):
            # Where alpha is 0 light stays as it is, and black would stay black.
            expected = np.where(alpha != 0, (colour / alpha + 0.25) * alpha, colour)
        np.testing.assert_allclose(rest[k], expected, rtol=2e-6)


def test_numbers_do_not_compile_again(cache):
    planes = [np.ones((5, 7), np.float32)] * 4
    run(TWO_OPS, planes, [1, 0])
    files = sorted(path.name for path in cache.rglob("*.py"))
    assert len(files) == 1
    run(TWO_OPS, planes, [3, 0.5])
    assert sorted(path.name for path in cache.rglob("*.py")) == files


def test_the_cache_is_private(cache):
    folder = fuse.cache_folder()
    assert folder.stat().st_mode & 0o077 == 0


def test_a_cut_short_cache_is_built_again(cache, monkeypatch):
    planes = [np.ones((5, 7), np.float32)] * 4
    before = run(TWO_OPS, planes, [1, 0])
    (name,) = (path.stem for path in cache.rglob("loop_*.py"))
    stored = fuse.machine_code(name)
    assert stored, "the loop was not kept on disk"
    for path in stored:
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    monkeypatch.setattr(fuse, "_loaded", {})
    for ours, theirs in zip(run(TWO_OPS, planes, [1, 0]), before, strict=True):
        np.testing.assert_array_equal(ours, theirs)


def test_a_changed_file_in_the_cache_is_not_run(cache, monkeypatch):
    planes = [np.ones((5, 7), np.float32)] * 4
    run(TWO_OPS, planes, [1, 0])
    (path,) = cache.rglob("*.py")
    path.write_text("raise SystemExit('not ours')")
    monkeypatch.setattr(fuse, "_loaded", {})
    run(TWO_OPS, planes, [1, 0])


def test_a_folder_open_to_others_is_not_trusted(cache):
    folder = fuse.cache_folder()
    folder.chmod(0o777)
    assert fuse.cache_folder() != folder


def test_the_text_holds_nothing_but_functions_and_wiring():
    text = source_of(TWO_OPS)
    body = text.split("def sweep")[1].split("_in =")[0]
    words = set(re.findall(r"[A-Za-z_][A-Za-z_0-9]*", body))
    plain = {"numbers", "integers", "width", "y", "x", "y0", "y1"}
    plain |= {"for", "in", "range", "if", "else", "row_pointer"}
    made = re.compile(r"([a-z]+_?\d+(_\w+)?|C\d+)")
    assert all(word in plain or made.fullmatch(word) for word in words), words


def test_masked_operations_give_nothing_outside_their_window():
    program = Program((3,), (Op(lift, PLANES[:3], numbers=1, masked=True),), ((0, 0),))
    outputs = [np.full((5, 7), np.nan, np.float32)]
    integers = np.array([0, 0, 2, 1, 5, 4], np.int64)
    planes = [np.zeros((5, 7), np.float32)] * 3
    compiled(program)(0, 5, 7, np.array([1], np.float32), integers, *planes, *outputs)
    expected = np.zeros((5, 7))
    expected[1:4, 2:5] = 1
    np.testing.assert_array_equal(outputs[0], expected)


def test_many_threads_may_ask_at_once(cache):
    planes = [np.ones((5, 7), np.float32)] * 4
    failures = []

    def work():
        try:
            run(TWO_OPS, planes, [2, 0])
        except BaseException as error:
            failures.append(error)

    threads = [threading.Thread(target=work) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert not failures


def test_the_loop_is_vectorised(cache):
    """The inner loop works on whole vectors: packed multiplications in the machine code."""
    compiled(TWO_OPS)
    (name,) = (path.stem for path in cache.rglob("loop_*.py"))
    machine = next(iter(sys.modules[f"stackcomp_loops.{name}"].run.inspect_asm().values()))
    packed = "mulps" if platform.machine() in ("x86_64", "AMD64") else "fmul.4s"
    assert packed in machine
