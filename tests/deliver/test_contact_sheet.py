"""Contact sheets: thumbnails against OpenCV and OpenImageIO, layout, memory, limits."""

from __future__ import annotations

import weakref

import cv2
import numpy as np
import OpenImageIO
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from stackcomp.check.originals import Reading
from stackcomp.deliver import contact_sheet as module
from stackcomp.deliver.contact_sheet import (
    Cell,
    check_sheet,
    chosen,
    contact_sheet,
    sheet_layout,
    thumbnail,
    write_sheet,
)
from stackcomp.errors import ArgumentError, FileError
from stackcomp.files import mark as marks
from stackcomp.files.mark import Mark

GROUND = np.float32(0.16)


def light(encoded):
    """IEC 61966-2-1."""
    encoded = np.asarray(encoded, np.float64)
    return np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)


def encoded(light):
    light = np.asarray(light, np.float64)
    return np.where(light <= 0.0031308, light * 12.92, 1.055 * np.maximum(light, 0) ** (1 / 2.4) - 0.055)


def flat(height, width, value):
    return np.full((height, width, 3), value, np.float32)


def noise(height, width, seed=0):
    return np.random.default_rng(seed).random((height, width, 3)).astype(np.float32)


def part(sheet, window):
    return sheet[window.y0 : window.y1, window.x0 : window.x1]


class TestThumbnails:
    @pytest.mark.parametrize(
        ("shape", "size"), [((600, 1000), (180, 300)), ((270, 480), (90, 160)), ((90, 90), (35, 35))]
    )
    def test_areas_are_averaged_as_by_opencv(self, shape, size):
        """`cv2.resize` with INTER_AREA, in light, at ratios whole and broken."""
        picture = noise(*shape)
        other = cv2.resize(light(picture).astype(np.float32), size[::-1], interpolation=cv2.INTER_AREA)
        np.testing.assert_allclose(thumbnail(picture, size[1], size[0]), encoded(other), atol=2e-5)

    @pytest.mark.slow
    def test_uhd_as_by_opencv(self):
        """3840 columns onto 304 and 2160 rows onto 171: each thumbnail pixel covers 12.63 in both directions."""
        picture = np.kron(noise(54, 96), np.ones((40, 40, 1), np.float32))
        other = cv2.resize(light(picture).astype(np.float32), (304, 171), interpolation=cv2.INTER_AREA)
        np.testing.assert_allclose(thumbnail(picture, 304, 180), encoded(other), atol=2e-5)

    def test_enlarged_about_as_by_openimageio(self):
        """Cubic interpolation of another library, with the same filter (Catmull–Rom), in light."""
        picture = cv2.GaussianBlur(noise(24, 32), (0, 0), 2)
        buffer = OpenImageIO.ImageBuf(light(picture).astype(np.float32))
        other = OpenImageIO.ImageBufAlgo.resize(
            buffer, filtername="catmull-rom", roi=OpenImageIO.ROI(0, 96, 0, 72)
        )
        np.testing.assert_allclose(thumbnail(picture, 96, 72), encoded(other.get_pixels("float")), atol=0.01)

    def test_a_fine_pattern_is_as_bright_as_from_a_distance(self):
        """Half black and half white is half the light: sRGB .735357 (computed with colour-science), not .5."""
        picture = flat(200, 200, 0)
        picture[::2, ::2] = picture[1::2, 1::2] = 1
        np.testing.assert_allclose(thumbnail(picture, 50, 50), 0.735357, atol=1e-5)
        # No pattern of its own appears where pixels do not divide.
        assert np.ptp(thumbnail(picture, 37, 37)) < 0.05

    @settings(max_examples=40, deadline=None)
    @given(st.integers(1, 70), st.integers(1, 70), st.integers(1, 90), st.integers(1, 90), st.floats(0, 1))
    def test_edges_are_as_bright_as_the_middle(self, height, width, across, down, value):
        small = thumbnail(flat(height, width, value), across, down)
        assert small.shape[0] <= down
        assert small.shape[1] <= across
        assert small.shape[0] == down or small.shape[1] == across
        np.testing.assert_allclose(small, np.float32(value), atol=3e-6)

    @pytest.mark.slow
    def test_undistorted(self):
        assert thumbnail(flat(2160, 3840, 0), 300, 300).shape == (169, 300, 3)
        assert thumbnail(flat(300, 100, 0), 300, 150).shape == (150, 50, 3)

    def test_what_is_no_colour_value(self):
        picture = flat(4, 4, 0.5)
        picture[0, 0] = [np.nan, np.inf, -np.inf]
        picture[3, 3] = [2, -1, 0.5]
        np.testing.assert_allclose(thumbnail(picture, 4, 4)[0, 0], [0, 1, 0], atol=1e-6)
        np.testing.assert_allclose(thumbnail(picture, 4, 4)[3, 3], [1, 0, 0.5], atol=1e-6)
        before = picture.copy()
        thumbnail(picture, 2, 2)
        assert np.array_equal(picture, before, equal_nan=True)


class TestLayout:
    @settings(max_examples=60, deadline=None)
    @given(
        st.integers(1, 40),
        st.floats(0.6, 4),
        st.integers(500, 1500),
        st.none() | st.integers(2, 20),
        st.booleans(),
        st.none() | st.integers(20, 200),
    )
    def test_cells_lie_apart_and_inside(self, count, aspect, width, columns, title, thumbnail_width):
        layout = sheet_layout(
            count, aspect=aspect, width=width, columns=columns, title=title, thumbnail_width=thumbnail_width
        )
        assert len(layout.cells) == count
        assert thumbnail_width is not None or layout.width == width
        taken = np.zeros((layout.height, layout.width), np.uint8)
        for cell in layout.cells:
            assert cell.x0 >= layout.margin
            assert cell.y0 >= layout.margin + 1.5 * layout.title_size
            assert cell.x1 <= layout.width - layout.margin
            assert cell.y1 + 1.5 * layout.label_size <= layout.height
            assert cell.width == (thumbnail_width or cell.width)
            assert abs(cell.width / aspect - cell.height) <= 0.5
            # With its label below, and a gap around both.
            end = cell.y1 + round(1.5 * layout.label_size)
            taken[cell.y0 - 2 : end + 2, cell.x0 - 2 : cell.x1 + 2] += 1
        assert taken.max() == 1
        assert columns is None or layout.columns == columns

    def test_columns_are_chosen(self):
        found = {count: sheet_layout(count, width=1920).columns for count in (1, 2, 4, 6, 12, 24, 200)}
        assert found[1] == 1
        assert found[4] == 2
        assert found[12] == 4
        assert found[24] == 6
        assert 10 <= found[200] <= 16
        # Narrow pictures make more columns, and nothing gets too narrow for a label.
        assert sheet_layout(12, aspect=0.5).columns > found[12]
        assert sheet_layout(200, width=600).cells[0].width > 80

    @pytest.mark.parametrize(
        ("arguments", "message"),
        [
            ({"count": 0}, "count: 0 is not"),
            ({"count": 3, "columns": 0}, "columns: 0"),
            ({"count": 3, "columns": 2.5}, "columns: 2.5"),
            ({"count": 300, "columns": 300, "width": 600}, "300 columns do not fit into 600"),
            ({"count": 3, "aspect": float("nan")}, "aspect: nan"),
            ({"count": 3, "aspect": 0.0}, "aspect: 0"),
            ({"count": 3, "width": 10}, "width: 10"),
            ({"count": 5000, "thumbnail_width": 3840}, "show fewer frames"),
        ],
    )
    def test_mistakes(self, arguments, message):
        with pytest.raises(ArgumentError, match=message):
            sheet_layout(**arguments)


class TestChosen:
    @given(st.integers(0, 2000), st.integers(1, 300))
    def test_laws(self, count, most):
        found = chosen(count, most)
        assert len(found) == min(count, most)
        assert found == sorted(set(found))
        if count > most > 1:
            assert found[0] == 0
            assert found[-1] == count - 1
            steps = np.diff(found)
            assert steps.max() - steps.min() <= 1

    def test_like_numpy(self):
        assert chosen(200, 24) == np.floor(np.linspace(0, 199, 24) + 0.5).astype(int).tolist()
        assert chosen(201, 1) == [100]
        with pytest.raises(ArgumentError):
            chosen(5, 0)


class TestSheet:
    def test_each_picture_is_in_its_cell(self):
        values = [k / 10 for k in range(1, 8)]
        cells = [Cell(f"{1001 + k}", flat(90, 160, value)) for k, value in enumerate(values)]
        sheet = contact_sheet(cells, count=7, width=800, title="The signal lantern")
        layout = sheet_layout(7, aspect=160 / 90, width=800)
        assert sheet.shape == (layout.height, layout.width, 3)
        assert sheet.dtype == np.float32
        for value, window in zip(values, layout.cells, strict=True):
            np.testing.assert_allclose(part(sheet, window), value, atol=1e-5)
            label = sheet[window.y1 : window.y1 + round(1.6 * layout.label_size), window.x0 : window.x1]
            assert label.max() > 0.7
            part(sheet, window)[...] = GROUND
        # All else is neutral.
        assert (sheet == sheet[..., :1]).all()

    def test_other_shapes_are_fitted_into_the_middle(self):
        tall, wide = flat(300, 100, 0.9), flat(100, 400, 0.9)
        sheet = contact_sheet(
            [Cell("a", flat(90, 160, 0.9)), Cell("b", tall), Cell("c", wide)], count=3, columns=3
        )
        for number, aspect in ((0, 16 / 9), (1, 1 / 3), (2, 4)):
            cell = part(sheet, sheet_layout(3, columns=3, title=False).cells[number])
            rows, columns = np.nonzero(cell[..., 0] > 0.5)
            height, width = np.ptp(rows) + 1, np.ptp(columns) + 1
            assert width / height == pytest.approx(aspect, rel=0.02)
            assert height == cell.shape[0] or width == cell.shape[1]
            assert abs(rows.min() - (cell.shape[0] - 1 - rows.max())) <= 1
            assert abs(columns.min() - (cell.shape[1] - 1 - columns.max())) <= 1

    def test_a_failed_frame_is_an_empty_cell_with_its_label_and_reason(self):
        def sheet(cell):
            return contact_sheet([cell, Cell("1002", flat(90, 160, 0.5))], count=2, width=900)

        layout = sheet_layout(2, aspect=160 / 90, width=900, title=False)
        found = sheet(Cell("1001", None, "its pixels cannot be decoded"))
        empty = part(found, layout.cells[0])
        assert np.median(empty) < GROUND
        assert (empty[0] == empty[0, 0]).all()
        assert empty[0, 0, 0] > GROUND
        assert empty.max() > 0.7
        assert np.array_equal(
            part(found, layout.cells[1]), part(sheet(Cell("1", flat(90, 160, 0))), layout.cells[1])
        )
        assert not np.array_equal(found, sheet(Cell("1001", None, "")))
        label = found[layout.cells[0].y1 : layout.cells[0].y1 + 2 * layout.label_size, : layout.cells[0].x1]
        assert label.max() > 0.7

    def test_all_frames_failed(self):
        sheet = contact_sheet((Cell(f"{k}", None, "missing " * 100) for k in range(5)), count=5, width=500)
        assert np.isfinite(sheet).all()

    @settings(max_examples=30, deadline=None)
    @given(st.text(), st.text(), st.text(), st.text(), st.integers(64, 400), st.none() | st.integers(1, 3))
    def test_texts_of_any_length_stay_in_their_places(self, title, note, label, reason, width, columns):
        cells = [Cell(label, None, reason), Cell(label, flat(9, 16, 1.0))]
        sheet = contact_sheet(cells, count=2, title=title, note=note, width=width, columns=columns)
        assert (sheet[:, :3] == GROUND).all()
        assert (sheet[:, -3:] == GROUND).all()
        assert (sheet[:3] == GROUND).all()

    def test_one_picture_is_in_memory_at_a_time(self):
        """200 of UHD would take 20 GB."""
        alive = []

        def cells():
            for k in range(12):
                picture = flat(90, 160, k / 12)
                alive.append(weakref.ref(picture))
                cell = Cell(f"{k}", picture)
                del picture
                assert sum(one() is not None for one in alive) == 1
                yield cell
                del cell

        contact_sheet(cells(), count=12, width=400)
        assert sum(one() is not None for one in alive) == 0

    @pytest.mark.parametrize("count", [2, 4])
    def test_the_number_of_cells(self, count):
        with pytest.raises(ArgumentError, match="cells"):
            contact_sheet([Cell("a", flat(9, 16, 1))] * 3, count=count, width=300)

    @pytest.mark.parametrize("picture", [np.zeros((4, 4)), np.zeros((4, 4, 4)), np.zeros((0, 4, 3))])
    def test_what_is_not_a_picture(self, picture):
        with pytest.raises(ArgumentError, match='that of "1003" is an array'):
            contact_sheet([Cell("1003", picture)], count=1)


class TestFiles:
    @pytest.mark.parametrize("ending", ["png", "jpg", "tif"])
    def test_written_with_a_mark(self, tmp_path, ending):
        sheet = contact_sheet([Cell("1001", noise(45, 80))], count=1, width=300, title="wide")
        path = tmp_path / f"sheet.{ending}"
        write_sheet(path, sheet, Mark("picture"))
        assert marks.read(path) == Mark("picture")
        other = OpenImageIO.ImageBuf(str(path)).get_pixels("float")
        assert other.shape == sheet.shape
        assert np.abs(other - sheet).mean() < (0.01 if ending == "jpg" else 0.5 / 255)
        write_sheet(path, sheet, Mark("picture"))

    def test_originals_stay(self, tmp_path):
        sheet = contact_sheet([Cell("1001", noise(45, 80))], count=1, width=300)
        (tmp_path / "theirs.png").write_bytes(b"drawn by hand")
        with pytest.raises(FileError, match="stackcomp did not write"):
            write_sheet(tmp_path / "theirs.png", sheet, Mark("picture"))
        assert (tmp_path / "theirs.png").read_bytes() == b"drawn by hand"
        write_sheet(tmp_path / "theirs.png", sheet, Mark("picture"), replace_foreign=True)
        reading = Reading(str(tmp_path / "theirs.png"), "what the sheet shows")
        with pytest.raises(FileError, match="over what the sheet shows"):
            write_sheet(tmp_path / "theirs.png", sheet, Mark("picture"), readings=[reading], replace_foreign=True)

    def test_sizes_that_jpeg_cannot_hold(self, tmp_path, monkeypatch):
        layout = sheet_layout(2000, width=300, columns=3, aspect=0.5)
        assert layout.height > 65535
        with pytest.raises(FileError, match=r"JPEG holds 65500 .*write \.png"):
            check_sheet(tmp_path / "sheet.JPG", layout)
        check_sheet(tmp_path / "sheet.png", layout)
        with pytest.raises(FileError, match="JPEG"):
            write_sheet(tmp_path / "sheet.jpg", np.zeros((65501, 1, 3), np.float32), Mark("picture"))
        write_sheet(tmp_path / "sheet.jpg", np.zeros((65500, 1, 3), np.float32), Mark("picture"))
        monkeypatch.setattr(module.stills, "LARGEST", 1000)
        with pytest.raises(FileError, match="above the limit of 1000"):
            check_sheet(tmp_path / "sheet.png", layout)
