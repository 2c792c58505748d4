"""The host's pages: a sheet typed, filled in by forms, arranged, imported, kept and taken away."""

from __future__ import annotations

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile

from academy.recall import sheets
from academy.recall.chain import Place, Sheet
from academy.recall.exchange import write_json
from academy.recall.forms import SPLITS, VALUE_FORMS
from academy.recall.models import RecallSheet
from academy.recall.reading import read_devices, read_sheet
from academy.recall.writing import write_devices, write_sheet
from tests import cast
from tests.academy.recall import making

pytestmark = pytest.mark.django_db

DESK = "/recall/hosting/sheets/two-bus/"
READ = [
    *("/recall/hosting/", "/recall/hosting/new/", "/recall/hosting/import/"),
    *(DESK, DESK + "facts/", DESK + "text/", DESK + "draft/", DESK + "export/text/", DESK + "remove/"),
    *(
        DESK + "devices/",
        DESK + "devices/?inside=2",
        DESK + "devices/2-1-1/",
        DESK + "versions/1/difference/",
    ),
    *(DESK + "devices/2/settings/", DESK + "devices/2/settings/5/"),
]
WRITE = [
    *(DESK + "keep/", DESK + "show/", DESK + "duplicate/", DESK + "versions/1/take-up/"),
    *(DESK + "devices/1/do/up/", DESK + "devices/1/say/", DESK + "devices/1/settings/1/do/down/"),
]


@pytest.fixture
def row() -> RecallSheet:
    """The two-bus with one kept version."""
    made = sheets.create_sheet(read_sheet(making.TWO_BUS))
    sheets.keep_version(made, note="", seen=1, host=None, now=cast.NOW)
    return made


@pytest.fixture
def host(client, row):
    """Somebody who teaches, signed in."""
    person = cast.host()
    client.force_login(person)
    return person


def draft(row: RecallSheet) -> Sheet:
    """What the draft says now."""
    row.refresh_from_db()
    return row.draft_sheet()


class TestAccess:
    def test_a_host_may(self, client, host):
        assert [client.get(page).status_code for page in READ] == [200] * len(READ)

    def test_a_member_finds_nothing_and_a_visitor_is_asked_to_sign_in(self, client, row):
        for page in READ + WRITE:
            assert "/members/sign-in/" in client.get(page)["Location"], page
        client.force_login(cast.member(tier=cast.tier("full")))
        for page in READ:
            assert client.get(page).status_code == client.post(page).status_code == 404, page
        for page in WRITE:
            assert client.post(page, {"seen": 1}).status_code == 404, page
        assert draft(row) == read_sheet(making.TWO_BUS)

    def test_what_writes_needs_a_post(self, client, host):
        assert [client.get(page).status_code for page in WRITE] == [405] * len(WRITE)

    def test_what_is_not_there_is_404(self, client, host):
        for wrong in ("devices/9/", "devices/2-1/", "devices/2/settings/9/", "devices/2/settings/?as=song"):
            assert client.get(DESK + wrong).status_code == 404, wrong
        for wrong in ("devices/1/do/dance/", "devices/1/settings/1/do/dance/"):
            assert client.post(DESK + wrong, {"seen": 1}).status_code == 404, wrong

    def test_the_own_page_leads_there(self, client, host):
        assert 'href="/recall/hosting/"' in client.get("/members/").content.decode()
        client.force_login(cast.member())
        assert 'href="/recall/"' in client.get("/members/").content.decode()


class TestNew:
    def test_a_sheet_is_begun(self, client, host):
        given = {"title": "Drums", "place": "group", "place_name": "Drums", "rate": "44.1 kHz"}
        assert client.post("/recall/hosting/new/", given)["Location"] == "/recall/hosting/sheets/drums/"
        assert RecallSheet.objects.get(slug="drums").draft_sheet() == Sheet(
            "Drums", Place.GROUP, "Drums", 44_100
        )

    @pytest.mark.parametrize(
        ("wrong", "help_given"),
        [
            ({"place_name": ""}, "Write the name of the group"),
            ({"rate": "fast"}, "like 48 kHz"),
            ({"title": ""}, "required"),
        ],
    )
    def test_what_is_missing_is_said(self, client, host, wrong, help_given):
        given = {"title": "Drums", "place": "group", "place_name": "Drums", "rate": "44.1 kHz"} | wrong
        response = client.post("/recall/hosting/new/", given)
        assert response.status_code == 422
        assert help_given in response.content.decode()
        assert RecallSheet.objects.count() == 1


class TestDesk:
    def test_of_an_empty_chain_nothing_is_offered_that_would_be_refused(self, client, host):
        empty = sheets.create_sheet(Sheet("Nothing yet", Place.TWO_BUS))
        html = client.get(f"/recall/hosting/sheets/{empty.slug}/").content.decode()
        assert "<button disabled>Keep version 1</button>" in html
        assert '<button class="plain" disabled>Show it to readers</button>' in html

    def test_a_chain_can_be_kept_and_what_is_kept_be_shown(self, client, host):
        fresh = sheets.create_sheet(read_sheet(making.TWO_BUS))
        desk = f"/recall/hosting/sheets/{fresh.slug}/"
        assert "<button>Keep version 1</button>" in client.get(desk).content.decode()
        sheets.keep_version(fresh, note="", seen=1, host=None, now=cast.NOW)
        assert '<button class="plain">Show it to readers</button>' in client.get(desk).content.decode()


class TestText:
    def test_the_chain_is_typed(self, client, host, row):
        text = "compressor (hardware)\r\n    attack 15 ms\r\n"
        client.post(DESK + "text/", {"text": text, "seen": 1})
        assert draft(row).devices == read_devices(text)

    def test_it_shows_what_is_there_and_nothing_typed_is_lost_when_refused(self, client, host, row):
        assert "Gentle bus compressor" in client.get(DESK + "text/").content.decode()
        response = client.post(
            DESK + "text/", {"text": "compressor (hardware)\n    attack soon\n", "seen": 1}
        )
        html = response.content.decode()
        assert response.status_code == 422
        assert "Line 2: “attack soon” has no value" in html
        assert "attack soon\n</textarea>" in html
        assert draft(row) == read_sheet(making.TWO_BUS)

    def test_a_page_that_is_too_old_writes_nothing(self, client, host, row):
        for seen in ("0", "", "x"):
            response = client.post(DESK + "text/", {"text": "", "seen": seen})
            assert response.status_code == 422
            assert "in another window" in response.content.decode()
        assert draft(row) == read_sheet(making.TWO_BUS)


class TestForms:
    """What is filled in gives the same data as what is typed."""

    @pytest.mark.parametrize(
        ("kind", "fields", "said"),
        [
            ("quantity", {"name": "attack", "amount": "15", "unit": "ms"}, "attack 15 ms"),
            ("quantity", {"name": "ratio", "amount": "infinity", "unit": ":1"}, "ratio ∞:1"),
            (
                "quantity",
                {"name": "reduction", "amount": "1", "up_to": "2", "unit": "dB"},
                "reduction 1 to 2 dB",
            ),
            ("quantity", {"name": "level", "amount": "−3", "unit": "dB", "about": "on"}, "level about -3 dB"),
            ("dial", {"name": "drive", "at": "6", "low": "0", "high": "10"}, "drive 6 of 10"),
            ("clock", {"name": "tone", "hour": "2", "minute": "30"}, "tone half past two"),
            ("detent", {"name": "attack", "step": "3", "of": "5"}, "attack third step of five"),
            ("choice", {"name": "mode", "words": "slow"}, "mode slow"),
            ("switch", {"name": "link", "state": "off"}, "link off"),
            (
                "band",
                {
                    "shape": "low shelf",
                    "frequency": "60",
                    "frequency_unit": "Hz",
                    "gain_db": "1",
                    "width_unit": "Q",
                },
                "low shelf 60 Hz +1 dB",
            ),
            (
                "band",
                {
                    "name": "side-chain",
                    "shape": "high-pass",
                    "frequency": "90",
                    "frequency_unit": "Hz",
                    "width": "12",
                    "width_unit": "dB/octave",
                    "reason": "no pumping",
                },
                "side-chain high-pass 90 Hz 12 dB/octave -- no pumping",
            ),
            (
                "band",
                {
                    "shape": "high shelf",
                    "frequency": "12",
                    "frequency_unit": "kHz",
                    "position": "two o’clock",
                    "width_unit": "Q",
                },
                "high shelf 12 kHz 2 o'clock",
            ),
        ],
    )
    def test_a_setting(self, client, host, row, kind, fields, said):
        head = {name: fields[name] for name in ("name", "reason") if name in fields}
        value = {f"both-{name}": given for name, given in fields.items() if name not in head}
        client.post(DESK + f"devices/2-1-1/settings/?as={kind}", {**head, **value, "seen": 1})
        added = draft(row).devices[1].inserts[0].devices[0].settings[-1]
        client.post(DESK + "devices/2-1-1/say/", {"line": said, "seen": 2})
        typed = draft(row).devices[1].inserts[0].devices[0].settings[-1]
        assert added == typed
        assert len(draft(row).devices[1].inserts[0].devices[0].settings) == 3

    def test_a_setting_of_two_channels(self, client, host, row):
        given = {
            "name": "reduction",
            "mid-amount": "3",
            "mid-unit": "dB",
            "side-amount": "1",
            "side-unit": "dB",
        }
        client.post(DESK + "devices/2/settings/5/?as=quantity&for=mid-side", given | {"seen": 1})
        (device,) = read_devices("compressor (hardware)\nmid: reduction 3 dB | side: reduction 1 dB\n")
        assert draft(row).devices[1].settings[4] == device.settings[0]

    def test_every_form_can_be_opened_and_shows_what_is_there(self, client, host):
        for kind in VALUE_FORMS:
            for split in SPLITS:
                address = DESK + f"devices/2/settings/?as={kind}&for={split}"
                assert client.get(address).status_code == 200, (kind, split)
        html = client.get(DESK + "devices/2/settings/5/").content.decode()
        assert 'name="side-amount" value="1"' in html

    def test_saving_each_setting_unchanged_by_its_form_changes_nothing(self, client, host, row):
        before = draft(row)
        for at, device in enumerate(before.devices, start=1):
            for number in range(1, len(device.settings) + 1):
                address = DESK + f"devices/{at}/settings/{number}/"
                forms = client.get(address).context["forms"]
                given = {"seen": row.draft_number}
                for form in [forms.head, *(form for _, form in forms.values), forms.reason]:
                    for field in form:
                        if not (field.value() is None or field.value() is False):
                            given[field.html_name] = field.value()
                assert client.post(address, given).status_code == 302, (at, number)
                assert draft(row) == before, (at, number)

    @pytest.mark.parametrize(
        ("kind", "fields", "help_given"),
        [
            ("quantity", {"name": "attack", "amount": "soon", "unit": "ms"}, "Write a number"),
            ("quantity", {"name": "range", "amount": "5 to 9", "unit": "kHz"}, "Write a number"),
            ("quantity", {"name": "side: a", "amount": "1", "unit": "ms"}, "reads as something else"),
            ("dial", {"name": "drive", "at": "12", "low": "0", "high": "10"}, "cannot stand at 12"),
            ("detent", {"name": "attack", "step": "7", "of": "5"}, "no step 7"),
            (
                "band",
                {
                    "shape": "bell",
                    "frequency": "60",
                    "frequency_unit": "Hz",
                    "position": "loud",
                    "width_unit": "Q",
                },
                "is no position",
            ),
            (
                "band",
                {
                    "shape": "bell",
                    "frequency": "60",
                    "frequency_unit": "Hz",
                    "gain_db": "3",
                    "is_read": "on",
                    "width_unit": "Q",
                },
                "Only a shelf",
            ),
            (
                "band",
                {
                    "shape": "notch",
                    "frequency": "60",
                    "frequency_unit": "Hz",
                    "gain_db": "3",
                    "width_unit": "Q",
                },
                "takes no gain",
            ),
        ],
    )
    def test_what_is_no_setting_is_said(self, client, host, row, kind, fields, help_given):
        given = {name if name == "name" else f"both-{name}": value for name, value in fields.items()}
        response = client.post(DESK + f"devices/2/settings/?as={kind}", given | {"seen": 1})
        assert response.status_code == 422
        assert help_given in response.content.decode()
        assert draft(row) == read_sheet(making.TWO_BUS)

    def test_a_line_that_is_not_understood_is_said_and_kept(self, client, host, row):
        response = client.post(DESK + "devices/2/say/", {"line": "attack soon", "seen": 1})
        assert response.status_code == 422
        assert 'value="attack soon"' in response.content.decode()


class TestArranging:
    def test_devices_are_added_changed_moved_doubled_and_removed(self, client, host, row):
        new = {"kind": "limiter", "nature": "software", "name": "Ceiling", "seen": 1}
        client.post(DESK + "devices/", new)
        assert draft(row).devices[-1].name == "Ceiling"
        client.post(DESK + "devices/?inside=4", new | {"path": "side chain", "seen": 2})
        assert draft(row).devices[-1].inserts[0].devices[0].name == "Ceiling"
        client.post(DESK + "devices/4/", new | {"name": "Last", "bypassed": "on", "seen": 3})
        assert (draft(row).devices[-1].name, draft(row).devices[-1].is_bypassed) == ("Last", True)
        for seen, act in enumerate(["up", "double", "remove"], start=4):
            client.post(DESK + f"devices/{4 if act == 'up' else 3}/do/{act}/", {"seen": seen})
        names = [device.name for device in draft(row).devices]
        assert names == ["Bottom of the mix", "Gentle bus compressor", "Last", "Top of the mix"]

    def test_settings_are_moved_and_removed(self, client, host, row):
        client.post(DESK + "devices/2/settings/1/do/down/", {"seen": 1})
        client.post(DESK + "devices/2/settings/1/do/remove/", {"seen": 2})
        assert [one.name for one in draft(row).devices[1].settings][:2] == ["ratio", "release"]

    def test_an_old_page_moves_nothing(self, client, host, row):
        response = client.post(DESK + "devices/1/do/remove/", {"seen": 9})
        assert response.status_code == 422
        assert len(draft(row).devices) == 3


class TestImport:
    @pytest.mark.parametrize(("name", "write"), [("a.txt", write_sheet), ("a.json", write_json)])
    def test_what_was_exported_comes_back_as_a_new_sheet(self, client, host, row, name, write):
        content = write(read_sheet(making.TWO_BUS)).encode()
        client.post("/recall/hosting/import/", {"file": SimpleUploadedFile(name, content), "text": ""})
        assert draft(RecallSheet.objects.get(slug="two-bus-2")) == read_sheet(making.TWO_BUS)
        client.post("/recall/hosting/import/", {"text": content.decode()})
        assert RecallSheet.objects.count() == 3

    @pytest.mark.parametrize(
        ("given", "help_given"),
        [
            ({"text": ""}, "Choose a file or paste"),
            ({"text": "{"}, "no JSON file"),
            ({"text": '{"\\ud800": 1}'}, "half of a surrogate pair"),
            ({"text": '{"recall_sheet": ' + "1" * 5_000 + "}"}, "thousands of digits"),
            ({"text": "gate (hardware)"}, "“sheet: …” is missing"),
            ({"text": "", "file": ("a.txt", "Größe".encode("latin-1"))}, "not in UTF-8"),
            ({"text": "", "file": ("a.txt", b"#" * 600_000)}, "smaller than"),
        ],
    )
    def test_what_is_no_sheet_leaves_nothing_behind(self, client, host, given, help_given):
        given = {
            name: SimpleUploadedFile(*value) if name == "file" else value for name, value in given.items()
        }
        response = client.post("/recall/hosting/import/", given)
        assert response.status_code == 422
        assert help_given in response.content.decode()
        assert RecallSheet.objects.count() == 1


class TestVersions:
    def test_a_version_is_kept_shown_and_compared(self, client, host, row):
        client.post(DESK + "devices/2/say/", {"line": "knee 6 dB", "seen": 1})
        client.post(DESK + "keep/", {"note": "With a knee.", "seen": 2})
        version = row.versions.last()
        assert (version.number, version.note, version.kept_by, version.kept_at) == (
            2,
            "With a knee.",
            host,
            cast.NOW,
        )
        client.post(DESK + "show/", {"shown": "yes"})
        row.refresh_from_db()
        assert row.is_shown
        assert "knee 6\u00a0dB" in client.get(DESK + "versions/1/difference/").content.decode()

    def test_an_old_version_is_taken_up_again(self, client, host, row):
        client.post(DESK + "text/", {"text": "", "seen": 1})
        client.post(DESK + "versions/1/take-up/", {"seen": 2})
        assert draft(row) == read_sheet(making.TWO_BUS)

    def test_keeping_the_same_again_is_refused(self, client, host, row):
        response = client.post(DESK + "keep/", {"note": "", "seen": 1})
        assert response.status_code == 422
        assert "There is nothing new to keep" in response.content.decode()


class TestFactsDuplicateRemove:
    def test_the_facts_are_changed(self, client, host, row):
        given = {"title": "Bus", "place": "two-bus", "place_name": "", "rate": "96 kHz", "seen": 1}
        client.post(DESK + "facts/", given)
        assert (draft(row).title, draft(row).rate_hz) == ("Bus", 96_000)

    def test_a_sheet_is_doubled(self, client, host):
        response = client.post(DESK + "duplicate/")
        assert response["Location"] == "/recall/hosting/sheets/two-bus-copy/facts/"

    def test_it_is_removed_only_when_asked_twice(self, client, host):
        assert "1 kept version will be gone" in client.get(DESK + "remove/").content.decode()
        assert RecallSheet.objects.exists()
        client.post(DESK + "remove/", {"sure": "yes"})
        assert not RecallSheet.objects.exists()

    def test_the_draft_is_exported(self, client, host):
        text = client.get(DESK + "export/text/").content.decode()
        assert write_devices(read_sheet(text).devices) == write_devices(read_sheet(making.TWO_BUS).devices)
