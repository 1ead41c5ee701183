"""A newcomer's way: bring a part, three fields, a date; how sure, what if, promise, take back."""

from __future__ import annotations

import re

import pytest
from lab_page import Page, box_stl, open_page, words_of

from calib.errors import CalibError
from calib.serve.pdf import find_browser, printed
from calib.workflow.quotes import list_quotes


@pytest.fixture(scope="module")
def answered(page):
    return page.ask(3)


def test_a_part_is_shown_with_its_size_before_it_is_asked_for(page):
    shown = page.bring()
    assert shown.status_code == 200
    words = words_of(shown.text)
    assert "40 x 30 x 20 mm. Is that the right size?" in words
    assert "The surface is closed" in words
    assert shown.text.count("<path") >= 3


def test_faults_of_the_mesh_are_said_before_it_is_asked_for(page):
    import trimesh

    box = trimesh.creation.box((40, 30, 20))
    box.update_faces([face > 0 for face in range(len(box.faces))])
    words = words_of(page.bring("open.stl", box.export(file_type="stl")).text)
    assert "closed: nothing to mend" not in words
    assert "hole" in words


def test_a_part_of_the_shop_is_chosen_by_name(page):
    shown = page.send("/ask/part", {"known": "known.stl"})
    assert "known.stl" in words_of(shown.text)


def test_the_file_is_gone_when_it_was_read(page):
    page.bring()
    assert list(page.site.uploads.folder.iterdir()) == []


def test_a_unit_that_must_be_stated_is_asked_for(page):
    shown = page.bring("tiny.stl", box_stl((0.4, 0.3, 0.2)))
    assert shown.status_code == 422
    assert 'name="unit"' in shown.text
    again = page.bring("tiny.stl", box_stl((0.4, 0.3, 0.2)), unit="cm")
    assert "4.0 x 3.0 x 2.0 mm" in words_of(again.text)


def test_a_sentence_about_a_unit_says_where_on_the_page_and_names_the_file_once(page):
    words = words_of(page.bring("tiny.stl", box_stl((0.4, 0.3, 0.2))).text)
    assert words.count("tiny.stl") == 1
    assert "--unit" not in words
    small = words_of(page.bring("small.stl", box_stl((15, 10, 6))).text)
    assert "choose inch below" in small
    assert "--unit" not in small


def tokens_of(shown):
    return re.findall(r"[?&]p=([\w-]+)", str(shown.url))


def test_what_was_typed_stays_when_another_part_is_brought_or_one_left_out(page):
    [first] = tokens_of(page.bring())
    typed = {f"qty-{first}": "7", f"finish-{first}": "sanded", "due": "2031-05-02"}
    two = page.bring("other.stl", box_stl((50, 20, 20)), before=[first], **typed)
    assert tokens_of(two)[0] == first
    assert f'name="qty-{first}" min="1" max="100000" required value="7"' in two.text
    assert '<option value="sanded" selected>' in two.text
    assert 'value="2031-05-02"' in two.text
    assert re.findall("<button([^>]*)>", two.text)[0] == ' class="main-button"'  # what Enter in a field does
    fields = {"p": tokens_of(two), "without": tokens_of(two)[1], **typed}
    one = page.send("/ask/part", fields)
    assert tokens_of(one) == [first]
    assert 'required value="7"' in one.text


def test_the_same_file_with_another_unit_takes_its_place(page):
    data = box_stl((15, 10, 6))
    [first] = tokens_of(page.bring("small.stl", data))
    again = page.bring("small.stl", data, before=[first], unit="inch", **{f"qty-{first}": "3"})
    assert len(tokens_of(again)) == 1
    assert "381 x 254 x 152 mm" in words_of(again.text)
    assert 'required value="3"' in again.text


def test_bodies_that_do_not_touch_are_one_piece_and_said_to_be(page):
    import trimesh

    far = trimesh.creation.box((10, 10, 10)).apply_translation((60, 0, 0))
    both = trimesh.util.concatenate([trimesh.creation.box((40, 30, 20)), far])
    assert "2 bodies that do not touch" in words_of(page.bring("both.stl", both.export(file_type="stl")).text)
    assert "do not touch" not in words_of(page.bring().text)


def test_an_open_surface_that_no_machine_can_make_is_not_asked_for(page):
    import trimesh

    tube = trimesh.creation.cylinder(15, 40)
    tube.update_faces([face > 3 for face in range(len(tube.faces))])
    shown = page.bring("tube.stl", tube.export(file_type="stl"))
    assert "No machine can make an open surface" in words_of(shown.text)
    assert "When would it be ready?" not in shown.text


@pytest.mark.slow
def test_an_order_of_several_parts_names_them_in_its_answer(page):
    [first] = tokens_of(page.bring())
    two = tokens_of(page.bring("other.stl", box_stl((50, 20, 20)), before=[first]))
    fields = {"p": two, **{f"qty-{token}": str(number) for token, number in zip(two, (2, 3), strict=True)}}
    shown = page.send("/ask/answer", fields | {f"finish-{two[1]}": "sanded"})
    words = words_of(shown.text)
    assert "2 × box.stl" in words
    assert "3 × other.stl, sanded" in words
    assert "“Order of 2 parts, 5 pieces, ready by" in words


def test_the_answer_is_a_date_with_its_chance(answered):
    assert answered.status_code == 200
    words = words_of(answered.text)
    assert re.search(r"Ready by (Mon|Tue|Wed|Thu|Fri|Sat|Sun) \d+ \w{3}|Ready by end of", words)
    assert "of 10 such jobs are." in words
    assert "Why this one?" in words


def test_surer_is_never_sooner(page, answered):
    dates = [page.browser.get(f"{answered.url.path}?sure={sure}").text for sure in (0.5, 0.8, 0.9, 0.95)]
    shown = [re.search(r'class="promise">([^<]+)<', text)[1] for text in dates]
    from calib.shop.read_shop import read_shop
    from calib.workflow.ask import dates_by_chance, find_given

    document = find_given(page.folder, answered.url.path.rpartition("/")[2])["document"]
    times = [one["promised_at"] for one in dates_by_chance(document, document["options"][0], read_shop(page.folder))]
    assert times == sorted(times)
    assert times[2] == document["options"][0]["promised_at"]
    assert len(shown) == 4


def test_every_process_has_twenty_dots_and_its_promise_beside_them(answered):
    table = answered.text.partition('<table class="dots"')[2].partition("</table>")[0]
    rows = re.findall(
        r'<th scope="row">(\w+)[^<]*<span class="label">9 of 10 by [A-Z][^<]+</span></th>(.*?)</tr>', table
    )
    assert sorted(process for process, _ in rows) == ["MEX", "PBF", "VPP"]
    assert all(cells.count("●") == 20 for _, cells in rows)


def test_a_look_that_nobody_takes_is_listed_nowhere(page, answered):
    assert list_quotes(page.folder)["quotes"] == []


@pytest.mark.parametrize("which", ["tomorrow", "first", "machine", "saturday"])
def test_what_if_stands_beside_todays_answer_and_changes_nothing(page, answered, which):
    before = (page.folder / "shop.toml").read_bytes()
    shown = page.send(f"{answered.url.path}/if", {"which": which})
    assert shown.status_code == 200
    found = shown.text.partition(f'id="if-{which}"')[2].partition("</li>")[0]
    assert 'class="found"' in found
    if which in ("machine", "saturday"):
        date = r"<td>\w{3} \d+ \w{3}(?: \d{4})? \d\d:[03]0</td>"
        assert len(re.findall(date, found)) == 4
    assert (page.folder / "shop.toml").read_bytes() == before
    assert list_quotes(page.folder)["quotes"] == []


def test_what_if_cautions_of_the_chosen_process_alone(page, answered):
    shown = page.send(f"{answered.url.path}/if", {"which": "saturday"})
    found = shown.text.partition('id="if-saturday"')[2].partition("</li>")[0]
    assert set(re.findall(r'<p class="quiet">(MEX|PBF|VPP) [a-z ,]+: ', found)) == {"MEX"}


def test_a_promise_is_stored_scored_shown_at_the_bench_and_can_be_taken_back(page, monkeypatch):
    shown = page.ask(2)
    looks = []
    monkeypatch.setattr(page.site.board, "refresh", lambda: looks.append(list_quotes(page.folder)["quotes"]))
    date = re.search(r"ready by ([^,]+), 9 of 10", words_of(shown.text))[1]
    done = page.send(f"{shown.url.path}/promise", {"process": "MEX", "sure": "0.9"})
    kept = list_quotes(page.folder)["quotes"]
    assert [one["quantity"] for one in kept] == [2]
    assert "Promised:" in words_of(done.text)
    assert date.split()[1] in words_of(done.text)
    back = page.send(f"{shown.url.path}/undo")
    assert "Promise it?" in words_of(back.text)
    assert all(one["accepted_at"] is None for one in list_quotes(page.folder)["quotes"])
    assert [[one["quantity"] for one in look if one["accepted_at"]] for look in looks] == [[2], []]


def test_of_two_who_promise_the_same_answer_one_wins_and_the_other_hears_of_it(page):
    _, other = open_page(page.folder)
    shown = page.ask(4)
    theirs = Page(page.folder, page.site, other)
    page.send(f"{shown.url.path}/promise", {"process": "MEX", "sure": "0.9"})
    late = theirs.send(f"{shown.url.path}/promise", {"process": "VPP", "sure": "0.5"})
    assert late.status_code == 422
    assert "was promised meanwhile: MEX on mex1" in words_of(late.text)
    [kept] = [one for one in list_quotes(page.folder)["quotes"] if one["accepted_at"]]
    assert kept["process"] == "MEX"
    page.send(f"{shown.url.path}/undo")


def test_four_words_for_one_date_are_a_sentence(page, answered, monkeypatch):
    from calib.serve import ask

    assert len(re.findall(r'href="\?sure=', answered.text)) == 4
    original = ask.work.dates_by_chance

    def the_same(*asked):
        dates = original(*asked)
        return [date | {"promised_at": dates[0]["promised_at"]} for date in dates]

    monkeypatch.setattr("calib.workflow.ask.dates_by_chance", the_same)
    shown = page.browser.get(answered.url.path)
    assert "As likely as not, likely, sure, very sure: the same date for all four" in words_of(shown.text)
    assert 'href="?sure=' not in shown.text


def test_a_word_whose_date_another_word_has_says_so(page, answered, monkeypatch):
    from calib.serve import ask

    original = ask.work.dates_by_chance

    def two_alike(*asked):
        dates = original(*asked)
        times = [f"2027-03-0{day}T12:00:00+00:00" for day in (1, 2, 2, 3)]
        return [date | {"promised_at": time} for date, time in zip(dates, times, strict=True)]

    monkeypatch.setattr("calib.workflow.ask.dates_by_chance", two_alike)
    links = re.findall(r'<a href="\?sure=.*?</a>', page.browser.get(answered.url.path).text)
    assert [re.search("the same date as “(.*)”", link) is not None for link in links] == [False, False, True, False]
    assert re.search(r"sure</strong> <span>Tue 2 Mar.*, the same date as “likely”", links[2])


@pytest.mark.slow
def test_going_first_names_whose_date_slips_before_anything_is_done(page):
    first = page.ask(40)
    page.send(f"{first.url.path}/promise", {"process": "MEX", "sure": "0.5"})
    second = page.ask(30)
    shown = page.send(f"{second.url.path}/if", {"which": "first"})
    assert re.search(r"These dates slip|Nobody's date slips by it \(1 other promise\)", words_of(shown.text))
    page.send(f"{first.url.path}/undo")


def test_an_order_of_several_parts_is_one_question(page):
    one = re.findall(r"p=([\w-]+)", str(page.bring().url))
    two = re.findall(r"p=([\w-]+)", str(page.bring("lid.stl", before=one).url))
    assert two[:1] == one
    assert len(two) == 2
    fields = {"p": two} | {f"qty-{token}": "2" for token in two} | {f"finish-{token}": "sanded" for token in two}
    words = words_of(page.send("/ask/answer", fields).text)
    assert "Order of 2 parts, 4 pieces" in words


def test_a_promised_order_is_listed_by_the_names_of_its_parts(page):
    one = re.findall(r"p=([\w-]+)", str(page.bring().url))
    two = re.findall(r"p=([\w-]+)", str(page.bring("lid.stl", before=one).url))
    fields = {"p": two} | {f"qty-{token}": "2" for token in two} | {f"finish-{token}": "" for token in two}
    shown = page.send("/ask/answer", fields)
    page.send(f"{shown.url.path}/promise", {"process": "MEX", "sure": "0.9"})
    listed = words_of(page.browser.get("/ask").text).partition("Promised lately")[2]
    page.send(f"{shown.url.path}/undo")
    assert "box.stl + lid.stl, 4 pieces" in listed


def test_the_customers_copy_is_a_file_without_what_is_inward(page, answered):
    copy = page.browser.get(f"{answered.url.path}/copy.html")
    assert "attachment" in copy.headers["content-disposition"]
    assert "<!doctype html>" in copy.text.lower()
    assert str(page.folder) not in copy.text


@pytest.mark.slow
@pytest.mark.skipif(find_browser() is None, reason="no browser found: the copy was not made a PDF")
def test_the_customers_copy_is_a_pdf_of_one_page_too(page, answered):
    assert f"{answered.url.path}/copy.pdf" in answered.text
    copy = page.browser.get(f"{answered.url.path}/copy.pdf")
    assert copy.headers["content-type"] == "application/pdf"
    assert copy.content.startswith(b"%PDF-")
    assert len(re.findall(rb"/Type\s*/Page\b", copy.content)) == 1


def test_without_a_browser_the_page_says_how_a_pdf_is_made(page, answered, monkeypatch):
    monkeypatch.setattr("calib.serve.pdf.BROWSERS", ())
    shown = page.browser.get(answered.url.path)
    assert "HTML For a PDF, open it and print it to a file." in words_of(shown.text)
    assert "copy.pdf" not in shown.text
    refused = page.browser.get(f"{answered.url.path}/copy.pdf")
    assert "There is no browser on this computer that makes a PDF." in words_of(refused.text)


def test_a_browser_that_makes_no_pdf_is_a_sentence():
    with pytest.raises(CalibError, match="The browser of this computer made no PDF"):
        printed("false", "<p>x</p>")


@pytest.mark.parametrize(
    ("fields", "sentence"),
    [
        ({"quantity": "0"}, "a whole number from 1 to 100,000"),
        ({"quantity": "-3"}, "a whole number from 1 to 100,000"),
        ({"quantity": "9" * 40}, "a whole number from 1 to 100,000"),
        ({"quantity": "two"}, "a whole number from 1 to 100,000"),
        ({"due": "soon"}, "is not a date or time"),
        ({"due": "2001-01-01"}, "is not after the start"),
    ],
)
def test_a_field_that_cannot_be_is_one_sentence(page, fields, sentence):
    shown = page.ask(**fields)
    assert shown.status_code == 422
    assert sentence in words_of(shown.text)
