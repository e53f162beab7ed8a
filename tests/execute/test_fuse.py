"""Generated loops: their text, their cache, and that they compute what the pixel functions say."""

import threading

import numpy as np
import pytest

from stackcomp.execute import fuse
from stackcomp.execute.fuse import compiled, described
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
    files = sorted(path.name for path in cache.rglob("*.bin"))
    assert len(files) == 1
    run(TWO_OPS, planes, [3, 0.5])
    assert sorted(path.name for path in cache.rglob("*.bin")) == files


def test_the_cache_is_private(cache):
    folder = fuse.cache_folder()
    assert folder.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(
    "damage", [lambda code: code[: len(code) // 2], lambda code: b"", lambda code: code[:-1] + b"?"]
)
def test_a_damaged_cache_is_built_again(cache, monkeypatch, damage):
    planes = [np.ones((5, 7), np.float32)] * 4
    before = run(TWO_OPS, planes, [1, 0])
    (path,) = cache.rglob("loop_*.bin")
    whole = path.read_bytes()
    path.write_bytes(damage(whole))
    monkeypatch.setattr(fuse, "_loaded", {})
    for ours, theirs in zip(run(TWO_OPS, planes, [1, 0]), before, strict=True):
        np.testing.assert_array_equal(ours, theirs)
    assert path.read_bytes() == whole


def test_a_folder_open_to_others_is_not_trusted(cache):
    folder = fuse.cache_folder()
    folder.chmod(0o777)
    assert fuse.cache_folder() != folder


def test_equal_programs_have_equal_names_and_others_have_others():
    def program(function, **fields):
        op = Op(function, PLANES[:3], numbers=1, **fields)
        return described(Program((4,), (op,), ((0, 0),)))

    assert program(gain) == program(gain)
    texts = [program(gain), program(lift), program(gain, alpha=PLANES[3]), program(gain, masked=True)]
    texts += [program(gain, decided=(True,)), program(gain, decided=(False,)), program(gain, outside=1.0)]
    texts += [described(Program((4,), (Op(gain, PLANES[:3], numbers=1),), ((0, 0),), half_outputs=(True,)))]
    assert len(set(texts)) == len(texts)


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
