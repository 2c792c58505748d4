"""The certificate: its sheet, what it says, what it does not, and who gets it."""

from __future__ import annotations

import io
import re
import struct

import numpy as np
import pytest
from django.test import Client
from django.urls import reverse
from PIL import Image

from contests.results import certificates, publishing
from contests.results.certificates import Certificate, as_pdf, as_png, can_draw
from tests import cast
from tests.contests import stages
from tests.contests.hosting.conftest import signed_in
from tests.contests.results.test_standings import BY_HAND
from tests.contests.stages import AFTER_THE_CLOSE

WORDS = Certificate(
    site="The school",
    contest="Low Tide",
    name="Ansa Merrow",
    place="2",
    of_entries="14 entries",
    published="Fri 14 Mar 2031, 12:00 (UTC)",
    reference="7KQM-2WXA-D9FT",
    check_address="https://school.example/contests/results/check/7KQM-2WXA-D9FT/",
)


def opened(words: Certificate) -> Image.Image:
    return Image.open(io.BytesIO(as_png(words)))


def dark(image: Image.Image, top: int, bottom: int) -> int:
    """How many dots of a stripe are ink."""
    return int((np.asarray(image.convert("L"))[top:bottom] < 100).sum())


class TestSheet:
    def test_it_is_a4_at_300_dots_an_inch(self):
        image = opened(WORDS)
        # ISO 216: 210 mm by 297 mm; an inch is 25.4 mm.
        assert image.size == (round(210 / 25.4 * 300), round(297 / 25.4 * 300))
        assert image.info["dpi"] == pytest.approx((300, 300), abs=0.01)

    def test_the_picture_carries_nothing_but_its_size_on_paper(self):
        blob, at, chunks = as_png(WORDS), 8, set()
        while at < len(blob):  # PNG, clause 5.3: length, type, data, check
            length, name = struct.unpack(">I4s", blob[at : at + 8])
            chunks.add(name.decode())
            at += 12 + length
        assert chunks == {"IHDR", "PLTE", "pHYs", "IDAT", "IEND"}

    def test_the_page_is_a4_without_title_author_or_dates(self):
        blob = as_pdf(WORDS)
        assert blob.startswith(b"%PDF-")
        box = re.search(rb"/MediaBox \[ ([\d. ]+)\]", blob)
        assert box is not None
        # In points of 1/72 inch (ISO 32000-1, 8.3.2.3); A4 is 595.28 by 841.89 of them.
        assert [float(one) for one in box[1].split()] == pytest.approx([0, 0, 595.28, 841.89], abs=0.2)
        for name in (
            b"/Title",
            b"/Author",
            b"/Creator",
            b"/Producer",
            b"/CreationDate",
            b"/ModDate",
            b"Ansa",
        ):
            assert name not in blob

    def test_the_same_words_give_the_same_bytes(self):
        assert as_png(WORDS) == as_png(WORDS)

    def test_each_reference_has_a_drawing_of_its_own(self):
        other = Certificate(**{**WORDS.__dict__, "reference": "AAAA-BBBB-CCCC"})
        stripe = (0, 1100, certificates.WIDTH, 1400)
        assert opened(WORDS).crop(stripe).tobytes() != opened(other).crop(stripe).tobytes()

    def test_one_without_a_place_shows_none(self):
        part = Certificate(**{**WORDS.__dict__, "place": ""})
        assert part.sentence == "took part, one of 14 entries"
        accent = np.array([0x1D, 0x4F, 0x91])
        stripe = (0, 1800, certificates.WIDTH, 2400)

        def dots(words: Certificate) -> int:
            pixels = np.asarray(opened(words).convert("RGB").crop(stripe)).astype(int)
            return int((abs(pixels - accent).sum(axis=-1) < 60).sum())

        assert dots(WORDS) > 1000
        assert dots(part) == 0


class TestNames:
    @pytest.mark.parametrize(
        "name", ["Zoë Ødegård-Łukasiewicz", "Ελένη Μαρίνου", "Ирина Щукина", "İnci Gündoğdu"]
    )
    def test_these_can_be_drawn(self, name):
        assert can_draw(name)

    @pytest.mark.parametrize("name", ["森田 葵", "อรุณ", "😀"])
    def test_these_leave_the_line_for_a_pen(self, name):
        words = Certificate(**{**WORDS.__dict__, "name": name})
        assert not words.is_whole
        assert dark(opened(words), 1530, 1700) == 0
        assert dark(opened(WORDS), 1530, 1700) > 1000

    def test_a_decomposed_name_is_the_same_as_a_composed_one(self):
        decomposed = Certificate(**{**WORDS.__dict__, "name": "Zoe\u0308"})
        composed = Certificate(**{**WORDS.__dict__, "name": "Zo\u00eb"})
        assert as_png(decomposed) == as_png(composed)

    def test_the_longest_name_stays_between_the_margins(self):
        words = Certificate(**{**WORDS.__dict__, "name": "W" * 150, "contest": "M" * 120})
        pixels = np.asarray(opened(words).convert("L"))
        assert (pixels[:, : certificates.LEFT - 20] > 250).all()
        assert (pixels[:, certificates.RIGHT + 20 :] > 250).all()
        assert dark(opened(words), 1530, 1700) > 100


@pytest.mark.django_db
class TestPages:
    @pytest.fixture
    def stage(self):
        stage, _ = stages.judged_by_table(BY_HAND)
        publishing.decide_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        publishing.publish_result(stage.contest.pk, actor=stage.host, now=AFTER_THE_CLOSE)
        return stage

    def test_the_entrant_gets_it_and_nobody_else(self, stage):
        own = stage.contest.results.get(place=2).entry
        pages = [reverse("contests:certificate", args=[own.receipt])]
        for kind in ("place", "part"):
            pages += [
                reverse("contests:certificate_file", args=[own.receipt, kind, ending])
                for ending in ("png", "pdf")
            ]
        for page in pages:
            assert signed_in(own.member).get(page).status_code == 200, page
            assert Client().get(page).status_code == 302, page
            assert signed_in(stage.host).get(page).status_code == 404, page
            assert signed_in(cast.member("Ilka Roe")).get(page).status_code == 404, page
            assert signed_in(own.member).post(page).status_code == 405, page
        wrong = reverse("contests:certificate_file", args=[own.receipt, "first", "png"])
        assert signed_in(own.member).get(wrong).status_code == 404
        wrong = reverse("contests:certificate_file", args=[own.receipt, "place", "gif"])
        assert signed_in(own.member).get(wrong).status_code == 404

    def test_its_words_stand_beside_it(self, stage):
        own = stage.contest.results.get(place=2).entry
        page = reverse("contests:certificate", args=[own.receipt])
        browser = signed_in(own.member)
        said = browser.get(page).content.decode()
        assert "reached place 2 of 3 entries" in said
        assert own.receipt in said
        check = reverse("contests:certificate_check", args=[own.receipt])
        assert check in said
        part = browser.get(page, {"words": "part"}).content.decode()
        assert "took part, one of 3 entries" in part
        assert "reached place" not in part
        card = browser.get(reverse("contests:scorecard", args=[own.receipt])).content.decode()
        assert page in card

    def test_anybody_can_check_one(self, stage):
        own = stage.contest.results.get(place=2).entry
        said = Client().get(reverse("contests:certificate_check", args=[own.receipt])).content.decode()
        assert own.member.name in said
        assert "reached place 2 of 3 entries" in said
        assert Client().get(reverse("contests:certificate_check", args=["NO-SUCH"])).status_code == 404
