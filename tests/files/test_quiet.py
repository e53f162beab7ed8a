"""What a library prints is kept, thread by thread."""

import logging
import os
import sys
import threading

from stackcomp.files.quiet import captured_log, captured_stdout, filtered_stderr


def test_only_the_output_of_the_capturing_thread_is_captured(capsys):
    before = sys.stdout
    inside, done = threading.Event(), threading.Event()

    def other():
        inside.wait(5)
        print("from the other")
        done.set()

    thread = threading.Thread(target=other)
    thread.start()
    with captured_stdout() as output:
        print("from the library")
        inside.set()
        done.wait(5)
    thread.join()
    print("after")
    assert "".join(output) == "from the library\n"
    assert capsys.readouterr().out == "from the other\nafter\n"
    assert sys.stdout is before


def test_overlapping_captures_restore_stdout(capsys):
    before = sys.stdout
    first_in, second_in, first_out = threading.Event(), threading.Event(), threading.Event()

    def first():
        with captured_stdout():
            first_in.set()
            second_in.wait(5)
        first_out.set()

    def second():
        first_in.wait(5)
        with captured_stdout():
            second_in.set()
            first_out.wait(5)
            print("captured")

    threads = [threading.Thread(target=work) for work in (first, second)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sys.stdout is before
    assert capsys.readouterr().out == ""


def test_the_log_is_captured_for_this_thread_only(caplog):
    logger = logging.getLogger("some_library")
    with captured_log("some_library") as messages:
        logger.warning("captured")
        other = threading.Thread(target=lambda: logger.warning("another thread"))
        other.start()
        other.join()
    logger.warning("after")
    assert messages == ["captured"]
    assert [record.getMessage() for record in caplog.records] == ["another thread", "after"]


def test_only_lines_of_libraries_are_removed_from_stderr(capfd):
    with filtered_stderr():
        os.write(2, b"a.exr: (EXR_ERR_BAD_CHUNK_LEADER) found corrupt leader\n")
        print("from elsewhere", file=sys.stderr)
        with filtered_stderr():
            os.write(2, b"PNG warning: CRC error\n")
        os.write(2, b"one more\n")
    assert capfd.readouterr().err == "from elsewhere\none more\n"
    os.write(2, b"(EXR_ERR)\n")
    assert capfd.readouterr().err == "(EXR_ERR)\n"
