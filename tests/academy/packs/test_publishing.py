"""Making a pack and publishing it."""

from __future__ import annotations

import pytest

from academy.packs import publishing
from academy.packs.models import PackState, Stem, StemPack
from academy.packs.publishing import PackRefused
from analysis.intake import keeping
from analysis.intake.models import Recording
from analysis.jobs.models import Job
from analysis.measuring.models import Measurement
from tests import cast
from tests.academy.packs import making

pytestmark = pytest.mark.django_db


class TestCreatePack:
    def test_it_makes_a_draft(self):
        pack = publishing.create_pack(slug="a", title=" A song ", terms="Practice.", key="D minor")
        assert (pack.title, pack.state, pack.key) == ("A song", PackState.DRAFT, "D minor")

    @pytest.mark.parametrize(
        ("facts", "reason"),
        [
            ({"title": " "}, "title"),
            ({"terms": ""}, "terms"),
            ({"slug": "taken"}, "already"),
            ({"slug": "hosting"}, "already"),
            ({"slug": ""}, "slug"),
            ({"slug": "no spaces here"}, "slug"),
            ({"title": "T" * 121}, "title"),
            ({"tempo_bpm": "fast"}, "tempo_bpm"),
        ],
    )
    def test_it_refuses_in_words(self, facts, reason):
        publishing.create_pack(slug="taken", title="A", terms="Practice.")
        with pytest.raises(PackRefused, match=reason):
            publishing.create_pack(**{"slug": "a", "title": "A", "terms": "Practice."} | facts)
        assert StemPack.objects.count() == 1


class TestAddStem:
    def test_stems_stand_in_the_order_they_came(self, tmp_path):
        pack = making.draft(tmp_path, ["Kick", "Bass"])
        assert [(stem.position, stem.name) for stem in pack.stems.all()] == [(1, "Kick"), (2, "Bass")]

    @pytest.mark.parametrize(
        ("name", "reason"),
        [("Kick", "already"), ("KICK", "already"), ("  ", "name"), ("K" * 81, "80 at most")],
    )
    def test_a_refused_upload_is_let_go(self, tmp_path, name, reason):
        pack = making.draft(tmp_path, ["Kick"])
        received = making.short_tone(tmp_path)
        with pytest.raises(PackRefused, match=reason):
            publishing.add_stem(pack, received, name=name, owner=None, now=cast.NOW)
        assert not keeping.shelf().exists(received.storage_key)
        assert Stem.objects.count() == Recording.objects.count() == 1

    def test_what_comes_after_publishing_waits_for_the_next_version(self, tmp_path):
        pack = making.draft(tmp_path, ["Kick"])
        publishing.publish(pack)
        publishing.add_stem(pack, making.short_tone(tmp_path), name="Bass", owner=None, now=cast.NOW)
        assert (pack.stems.count(), pack.current.stems.count()) == (2, 1)
        publishing.publish(pack)
        assert (pack.current.number, pack.current.stems.count()) == (2, 2)
        assert [version.stems.count() for version in pack.versions.order_by("number")] == [1, 2]


class TestPublish:
    def test_it_asks_for_the_archive_and_a_measurement_of_each_stem(self, tmp_path, work):
        pack = making.draft(tmp_path, ["Kick", "Bass"])
        publishing.publish(pack)
        publishing.publish(pack)
        assert sorted(Job.objects.values_list("kind", flat=True)) == [
            "build_pack",  # one a form
            "build_pack",
            "measure_stem",
            "measure_stem",
            "prepare_previews",
        ]
        assert pack.versions.count() == 1
        work("measure_stem")
        # A sine of amplitude 0.05 (and 0.1) peaks at 20 lg 0.05 dBFS: the definition of dBFS, AES17.
        found = sorted(Measurement.objects.values_list("sample_peak_dbfs", flat=True))
        assert found == pytest.approx([-26.02, -20.0], abs=0.02)

    def test_a_pack_without_stems_is_refused(self, tmp_path):
        pack = making.draft(tmp_path, [])
        with pytest.raises(PackRefused, match="without stems"):
            publishing.publish(pack)
        pack.refresh_from_db()
        assert pack.state == PackState.DRAFT
        assert not Job.objects.exists()


class TestChangeTerms:
    def test_they_come_with_a_version_that_holds_the_published_stems(self, tmp_path, work):
        pack = making.draft(tmp_path, ["Kick"])
        publishing.publish(pack)
        work("build_pack")
        publishing.add_stem(pack, making.short_tone(tmp_path), name="Bass", owner=None, now=cast.NOW)
        publishing.change_terms(pack, "New terms.")
        assert (pack.terms_version, pack.current.number, pack.current.terms) == (2, 2, "New terms.")
        assert [stem.name for stem in pack.current.stems.all()] == ["Kick"]
        assert not pack.versions.get(number=1).archives.exists()
        assert list(pack.terms_texts.values_list("number", "text")) == [
            (2, "New terms."),
            (1, "For **practice** only."),
        ]

    def test_what_was_changed_on_the_desk_waits(self, tmp_path):
        pack = making.draft(tmp_path, ["Kick"], artist="Isolde", key="D minor")
        publishing.publish(pack)
        publishing.change_facts(pack, title="Not yet", key="E minor")
        publishing.change_terms(pack, "New terms.")
        current = pack.current
        assert (current.number, current.title, current.artist, current.key) == (
            2,
            "Harbour Light",
            "Isolde",
            "D minor",
        )
        assert (current.terms, current.terms_version) == ("New terms.", 2)
        assert publishing.differs(pack)
        publishing.publish(pack)
        assert (pack.current.title, pack.current.key, pack.current.terms_version) == ("Not yet", "E minor", 2)

    def test_those_of_a_draft_publish_nothing(self, tmp_path):
        pack = making.draft(tmp_path, ["Kick"])
        publishing.change_terms(pack, "New terms.")
        assert pack.current is None
        assert not Job.objects.exists()

    def test_empty_terms_are_refused(self, tmp_path):
        pack = making.draft(tmp_path, ["Kick"])
        with pytest.raises(PackRefused):
            publishing.change_terms(pack, " ")
        pack.refresh_from_db()
        assert pack.terms_version == 1


class TestReferenceMix:
    def test_it_is_sealed_with_the_pack(self, tmp_path):
        pack = making.draft(tmp_path, ["Kick"])
        recording = publishing.set_reference_mix(pack, making.short_tone(tmp_path), owner=None, now=cast.NOW)
        pack.refresh_from_db()
        assert pack.reference_mix == recording
