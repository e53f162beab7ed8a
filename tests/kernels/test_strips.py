"""Strips of rows: every row once, in as many threads as was asked for."""

from __future__ import annotations

import os
import subprocess
import sys
from itertools import pairwise

import numpy as np
import pytest

import stackcomp
from stackcomp import RequestError
from stackcomp.kernels.strips import over_strips, thread_count

#: The first strip of each thread waits for those of as many as there should be, so fewer threads never finish one.
COUNT_THREADS = """
import threading
from stackcomp.kernels.strips import over_strips

expected, seen = {expected}, set()
together = threading.Barrier(expected)

def strip(first, last):
    if threading.get_ident() not in seen:
        seen.add(threading.get_ident())
        together.wait(timeout=20)

over_strips(strip, expected * 4 * 16)
print(len(seen), threading.get_ident() in seen)
"""

#: A fused loop and an area node. Where one thread does the work, no pool of threads is made.
NAMES_OF_THREADS = """
import threading
from stackcomp import Composition, Graph

graph = Graph()
graph.add("flat", "lamp", size=[16, 512], colour=0.5)
graph.add("exposure", "brighter", image="lamp", stops=1)
graph.add("glow", "shine", image="brighter", radius=1)
Composition(graph).render("shine", 1)
print(sum(thread.name.startswith("stackcomp-strip") for thread in threading.enumerate()))
"""


@pytest.fixture
def automatic():
    """No number of threads chosen from Python, before and after."""
    stackcomp.set_threads(None)
    yield
    stackcomp.set_threads(None)


def run(code: str, threads: str) -> list[str]:
    environment = {**os.environ, "STACKCOMP_THREADS": threads, "PYTHONPATH": os.pathsep.join(sys.path)}
    done = subprocess.run(
        [sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=90
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.split()


@pytest.mark.parametrize("threads", [2, 3, 5])
def test_the_environment_says_how_many_threads_run_strips(threads):
    assert run(COUNT_THREADS.format(expected=threads), str(threads)) == [str(threads), "True"]


@pytest.mark.parametrize("rows", [4, 4096])
def test_what_the_caller_chose_about_special_numbers_is_not_that_of_strips(rows):
    seen = []
    with np.errstate(all="raise"):
        over_strips(lambda first, last: seen.append(np.geterr()), rows)
    assert seen == [{"divide": "warn", "over": "warn", "under": "ignore", "invalid": "warn"}] * len(seen)


def test_one_thread_is_the_callers_own():
    assert run(COUNT_THREADS.format(expected=1), "1") == ["1", "True"]


@pytest.mark.slow
def test_a_render_with_one_thread_makes_no_others():
    assert run(NAMES_OF_THREADS, "1") == ["0"]


@pytest.mark.parametrize("value", ["two", "0", "-1", "1.5", "²", "2 3", "9" * 40])
def test_a_wrong_number_in_the_environment_is_named(value, monkeypatch, automatic):
    monkeypatch.setenv("STACKCOMP_THREADS", value)
    with pytest.raises(RequestError, match=r"STACKCOMP_THREADS: .* is not a number of threads") as caught:
        over_strips(lambda first, last: None, 100)
    (problem,) = caught.value.problems
    assert f'"{value}"' in problem.message
    assert "unset it" in problem.way_out


def test_python_goes_before_the_environment(monkeypatch, automatic):
    monkeypatch.setenv("STACKCOMP_THREADS", "two")
    stackcomp.set_threads(4)
    assert thread_count() == 4


@pytest.mark.parametrize("value", ["", " "])
def test_an_empty_value_counts_as_unset(monkeypatch, automatic, value):
    monkeypatch.delenv("STACKCOMP_THREADS", raising=False)
    usual = thread_count()
    monkeypatch.setenv("STACKCOMP_THREADS", value)
    assert thread_count() == usual


@pytest.mark.parametrize("threads", [1, 3])
@pytest.mark.parametrize("rows", [0, 1, 15, 16, 17, 100, 1001])
def test_every_row_is_covered_once(rows, threads, automatic):
    stackcomp.set_threads(threads)
    covered: list[int] = []
    over_strips(lambda first, last: covered.extend(range(first, last)), rows)
    assert sorted(covered) == list(range(rows))


def test_a_failure_comes_out_after_all_strips_have_ended(automatic):
    stackcomp.set_threads(2)
    ended: list[int] = []

    def strip(first: int, last: int) -> None:
        ended.extend(range(first, last))
        if first == 0:
            raise ArithmeticError("planted")

    with pytest.raises(ArithmeticError, match="planted"):
        over_strips(strip, 8 * 16)
    assert sorted(ended) == list(range(8 * 16))


@pytest.mark.parametrize("threads", [2, 3, 64])
@pytest.mark.parametrize(("rows", "least"), [(2160, 16), (513, 1), (40, 16), (33, 16), (64, 64)])
def test_strips_get_smaller_and_none_is_too_small(rows, least, threads, automatic):
    stackcomp.set_threads(threads)
    strips: list[tuple[int, int]] = []
    over_strips(lambda first, last: strips.append((first, last)), rows, least=least)
    sizes = [last - first for first, last in sorted(strips)]
    assert min(sizes) >= least
    assert all(later <= size for size, later in pairwise(sizes[:-1]))
    assert len(sizes) <= threads * 12
    assert max(sizes) <= max(rows / threads / 4, 2 * least)
