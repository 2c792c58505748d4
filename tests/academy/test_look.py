"""The frame and the look: landmarks, contrast, and nothing that the page's own policy would block."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from pathlib import Path

import pytest
from django.conf import settings

from academy.courses.models import Course, Lesson
from tests import cast

SHEET = (Path(settings.ROOT) / "academy/static/academy/site.css").read_text()
ROOTS = re.findall(r":root \{(.*?)\}", SHEET, re.DOTALL)
LIGHT, DARK = (dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", block)) for block in ROOTS[:2])


def luminance(colour: str) -> float:
    """Relative luminance: WCAG 2.2, definition; 0.04045 as in IEC 61966-2-1."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    red, green, blue = (
        part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """WCAG 2.2, definition of contrast ratio."""
    darker, lighter = sorted([luminance(one), luminance(other)])
    return (lighter + 0.05) / (darker + 0.05)


def test_the_contrast_formula_knows_black_and_white():
    assert contrast("#000000", "#ffffff") == pytest.approx(21)  # WCAG 2.2: from 1 to 21


@pytest.mark.parametrize("colours", [LIGHT, DARK], ids=["light", "dark"])
class TestContrast:
    @pytest.mark.parametrize("ground", ["paper", "sheet"])
    @pytest.mark.parametrize("text", ["ink", "muted", "accent", "good", "warn", "bad"])
    def test_text_is_readable(self, colours, ground, text):
        assert contrast(colours[text], colours[ground]) >= 4.5  # WCAG 2.2, 1.4.3 (AA)

    def test_a_button_is_readable(self, colours):
        assert contrast(colours["on-accent"], colours["accent"]) >= 4.5

    @pytest.mark.parametrize("ground", ["paper", "sheet"])
    @pytest.mark.parametrize("mark", ["edge", "focus", "data-1", "data-2", "data-3", "data-4"])
    def test_a_control_a_focus_and_a_curve_stand_out(self, colours, ground, mark):
        assert contrast(colours[mark], colours[ground]) >= 3  # WCAG 2.2, 1.4.11 (AA)


def test_the_data_colours_are_okabe_and_ito_s():
    # Okabe and Ito (2008), "Color Universal Design": eight; white stands for black in the dark.
    palette = {
        "#000000",
        "#e69f00",
        "#56b4e9",
        "#009e73",
        "#f0e442",
        "#0072b2",
        "#d55e00",
        "#cc79a7",
        "#ffffff",
    }
    for colours in (LIGHT, DARK):
        data = [colours[f"data-{number}"] for number in range(1, 7)]
        assert set(data) <= palette
        assert len(set(data)) == 6


class Page(HTMLParser):
    """What a page holds that matters to its frame."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.feed(html)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Collect."""
        self.tags.append((tag, dict(attrs)))

    def all(self, tag: str) -> list[dict[str, str | None]]:
        """The attributes of every tag of a name."""
        return [attributes for name, attributes in self.tags if name == tag]


@pytest.fixture
def addresses(db):
    """One address of each kind of page of this floor."""
    tier = cast.tier()
    pack = cast.pack(tier=tier)
    course = Course.objects.create(slug="a-course", title="A course", pack=pack, publish_at=cast.NOW)
    Lesson.objects.create(course=course, position=1, slug="free", title="Free", text="# Here")
    Lesson.objects.create(course=course, position=2, slug="shut", title="Shut", text="There", tier=tier)
    cast.contest()
    return [
        *("/", "/members/sign-in/", "/packs/", f"/packs/{pack.slug}/", "/courses/", "/courses/a-course/"),
        *("/courses/a-course/free/", "/courses/a-course/shut/", "/nowhere/"),
    ]


class TestFrame:
    def test_every_page_has_its_landmarks_and_one_title(self, client, addresses):
        for address in addresses:
            page = Page(client.get(address).content.decode())
            assert len(page.all("main")) == len(page.all("h1")) == len(page.all("header")) == 1, address
            assert page.all("html") == [{"lang": "en"}]
            assert page.all("a")[0]["href"] == "#main"  # the skip link comes first
            assert page.all("main")[0]["id"] == "main"
            assert {"nav", "footer"} <= {tag for tag, _ in page.tags}

    def test_no_page_holds_what_its_policy_blocks(self, client, addresses):
        for address in addresses:
            response = client.get(address)
            assert "script-src 'self'" in response["Content-Security-Policy"]
            page = Page(response.content.decode())
            for tag, attributes in page.tags:
                assert tag != "style", address
                assert "style" not in attributes, (address, tag)
                assert not [name for name in attributes if name.startswith("on")], (address, tag)
                if tag == "script":
                    assert "src" in attributes or attributes.get("type") == "application/json", address
                for name in ("src", "href", "action"):
                    assert not (attributes.get(name) or "").startswith(("http:", "https:", "//")), (
                        address,
                        tag,
                    )

    def test_every_field_has_a_label(self, client, addresses):
        page = Page(client.get("/members/sign-in/").content.decode())
        labelled = {label.get("for") for label in page.all("label")}
        fields = [field for field in page.all("input") if field.get("type") != "hidden"]
        assert len(fields) == 2
        assert {field["id"] for field in fields} <= labelled

    def test_it_names_the_section_where_the_reader_is(self, client, addresses):
        page = Page(client.get("/packs/").content.decode())
        assert [link["href"] for link in page.all("a") if link.get("aria-current")] == ["/packs/"]

    def test_a_visitor_may_sign_in_and_a_member_out(self, client, addresses):
        assert "/members/sign-in/?next=/packs/" in client.get("/packs/").content.decode()
        client.force_login(cast.member("Ansa Merrow"))
        html = client.get("/packs/").content.decode()
        assert "Ansa Merrow" in html
        assert 'method="post" action="/members/sign-out/"' in html

    def test_the_site_s_name_is_the_setting_s_everywhere(self, client, addresses):
        for address in addresses:
            assert f">{settings.SITE_NAME}</a>" in client.get(address).content.decode(), address


class TestErrorPages:
    def test_an_unknown_address_says_so_in_the_site_s_frame(self, client, db):
        response = client.get("/nowhere/")
        assert response.status_code == 404
        assert "Nothing here for you" in response.content.decode()

    def test_a_form_without_its_token_is_explained(self, db):
        from django.test import Client

        response = Client(enforce_csrf_checks=True).post("/members/sign-in/", {"username": "a@example.org"})
        assert response.status_code == 403
        assert "The form was too old" in response.content.decode()

    def test_our_own_fault_is_called_ours_without_asking_the_database(self, rf):
        from django.views.defaults import server_error

        response = server_error(rf.get("/"))  # no database mark: a query would fail the test
        assert response.status_code == 500
        assert "on our side" in response.content.decode()


class TestFront:
    def test_it_shows_what_is_taught_and_what_runs(self, client, addresses):
        html = client.get("/").content.decode()
        for word in ["A course", "Pack ", "Contest ", "Begin with a free lesson"]:
            assert word in html
        assert client.post("/").status_code == 405

    def test_a_member_is_led_on(self, client, addresses):
        client.force_login(cast.member())
        assert 'href="/members/">Your own page' in client.get("/").content.decode()

    def test_an_empty_site_says_so(self, client, db):
        html = client.get("/").content.decode()
        assert html.count('class="empty"') == 3

    def test_the_number_of_queries_does_not_grow(self, client, addresses, django_assert_max_num_queries):
        for _ in range(6):
            cast.contest()
        with django_assert_max_num_queries(6):
            assert client.get("/").status_code == 200
