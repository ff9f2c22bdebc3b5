"""The status page against whoever means ill: wrong tokens, foreign forms, floods, and requests made of noise."""

from collections import Counter
from urllib.parse import quote

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from page_rig import FREE, TOKEN, Rig, signed_in

from warmheap.page.security import Doorman, Limits, Rate, from_our_site, known_host

DEEDS = ("acknowledge", "hold", "run", "resume", "targets", "file-targets")
HOLD = {"minutes": "5"}


def untouched(rig):
    return not rig.desk.controller.hand.on and rig.desk.settings == rig.desk._file and not rig.events


@pytest.mark.parametrize("token", ["", "not-this-one", TOKEN[:-1], TOKEN + "x", TOKEN.upper(), "\u00fc" * 30])
def test_a_wrong_token_is_refused_and_logged(tmp_path, token):
    rig = Rig(tmp_path)

    async def visit(client):
        got = await client.post("/sign-in", data={"token": token})
        return got.status_code, got.cookies, (await client.post("/do/hold", data=HOLD)).status_code

    assert rig.run(visit) == (403, {}, 403)
    assert "page: refused POST from 192.0.2.7: 403 wrong token" in rig.logged[0] and untouched(rig)
    assert not any(token in line for line in rig.logged if token)


@pytest.mark.parametrize("deed", DEEDS)
def test_without_a_session_no_command_is_taken(tmp_path, deed):
    rig = Rig(tmp_path)

    async def visit(client):
        return await client.post(f"/do/{deed}", data=HOLD)

    got = rig.run(visit)
    assert got.status_code == 403 and got.text == "sign in first\n" and untouched(rig)


@pytest.mark.parametrize(
    ("headers", "form"),
    [
        ({"origin": "http://evil.example"}, None),
        ({"origin": "null"}, None),
        ({"sec-fetch-site": "cross-site"}, None),
        ({"sec-fetch-site": "same-site"}, None),
        ({}, ""),
        ({}, "x" * 32),
    ],
)
def test_a_form_from_elsewhere_is_refused_and_logged_even_with_the_cookie(tmp_path, headers, form):
    rig = Rig(tmp_path)

    async def visit(client):
        secret = await signed_in(client)
        fields = {"form": secret if form is None else form, **HOLD}
        return await client.post("/do/hold", data=fields, headers=headers)

    got = rig.run(visit)
    assert got.status_code == 403 and "form" in got.text and untouched(rig) and rig.logged


def test_the_cookie_is_kept_from_scripts_and_other_sites_and_ends(tmp_path):
    rig = Rig(tmp_path, limits=FREE)

    async def visit(client):
        got = await client.post("/sign-in", data={"token": TOKEN})
        cookie = got.headers["set-cookie"].lower()
        secret = await signed_in(client)
        out = await client.post("/sign-out", data={"form": secret})
        after = await client.post("/do/hold", data={"form": secret, **HOLD})
        return cookie, out.status_code, after.status_code

    cookie, out, after = rig.run(visit)
    assert "httponly" in cookie and "samesite=strict" in cookie and TOKEN not in cookie
    assert (out, after) == (303, 403)


def test_guessing_is_slowed_down_even_for_the_right_token(tmp_path):
    rig = Rig(tmp_path)

    async def visit(client):
        wrong = [(await client.post("/sign-in", data={"token": f"guess {n}"})).status_code for n in range(8)]
        return wrong, (await client.post("/sign-in", data={"token": TOKEN})).status_code

    assert rig.run(visit) == ([403] * 5 + [429] * 3, 429)


def test_floods_are_held_off_by_address_and_commands_by_session(tmp_path):
    rig = Rig(tmp_path)

    async def commands(client):
        secret = await signed_in(client)
        return [(await client.post("/do/resume", data={"form": secret})).status_code for _ in range(25)]

    async def views(client):
        return [(await client.get("/style.css")).status_code for _ in range(150)]

    assert rig.run(commands).count(429) == 5
    seen = rig.run(views, client=("192.0.2.8", 1))
    assert seen.count(200) == 120 and seen[-1] == 429


@pytest.mark.parametrize(
    ("content", "headers", "status"),
    [
        (b"token=" + b"x" * 5000, {}, 413),
        (b"", {"content-length": "99999999999"}, 413),
        (b"", {"content-length": "-1"}, 413),
        (b"a&&b=%zz", {}, 400),
        (b"token=\xff\xfe", {}, 400),
        (b"token=%ff%fe", {}, 400),
        (b"token=a&token=b", {}, 400),
        (b"&".join(b"f%d=1" % n for n in range(50)), {}, 400),
        (b'{"token": 1}', {"content-type": "application/json"}, 415),
        (b"--x\r\n", {"content-type": "multipart/form-data; boundary=x"}, 415),
        (b"token=a", {"content-type": ""}, 415),
    ],
)
def test_an_oversized_or_malformed_body_is_refused_and_logged(tmp_path, content, headers, status):
    rig = Rig(tmp_path)

    async def visit(client):
        given = {"content-type": "application/x-www-form-urlencoded", **headers}
        return await client.post("/sign-in", content=content, headers=given)

    assert rig.run(visit).status_code == status
    assert f": {status} " in rig.logged[0]


def test_a_body_in_endless_pieces_is_cut_off(tmp_path):
    rig = Rig(tmp_path)

    async def pieces():
        for _ in range(1000):
            yield b"x" * 100

    async def visit(client):
        return await client.post("/sign-in", content=pieces())

    assert rig.run(visit).status_code == 413


@pytest.mark.parametrize(
    ("host", "name", "fits"),
    [
        ("127.0.0.1:8067", "", True),
        ("localhost", "", True),
        ("[::1]:8067", "", True),
        ("[::1]", "", True),
        ("192.168.1.20:8067", "", True),
        ("pile.example:8067", "pile.example", True),
        ("pile.example", "", False),
        ("evil.example:8067", "pile.example", False),
        ("", "", False),
        ("127.0.0.1.evil.example", "", False),
    ],
)
def test_a_foreign_name_rebound_to_the_board_is_refused(host, name, fits):
    assert known_host(host, name) == fits


def test_the_wrong_host_is_refused_at_every_address(tmp_path):
    rig = Rig(tmp_path)

    async def visit(client):
        return [
            (await client.get(p, headers={"host": "evil.example"})).status_code for p in ("/", "/metrics", "/now.json")
        ]

    assert rig.run(visit) == [421] * 3


def test_a_client_that_is_no_browser_need_not_say_where_a_form_came_from():
    assert from_our_site({"host": "a:1"}) and from_our_site({"host": "a:1", "origin": "http://a:1"})
    assert not from_our_site({"host": "a:1", "origin": "http://a:2"})


def test_rates_forget_after_their_window_and_know_few_names():
    now = [0.0]
    rate = Rate((2, 10.0), lambda: now[0])
    assert [rate.take("a") for _ in range(3)] == [True, True, False] and rate.take("b")
    now[0] = 10.0
    assert rate.take("a")
    for n in range(1000):
        rate.count(str(n))
    assert len(rate._seen) <= 256


def test_sessions_end_and_are_few():
    now = [0.0]
    doorman = Doorman(TOKEN, Limits(), lambda: now[0])
    names = [doorman.sign_in(TOKEN, "a") for _ in range(20)]
    assert doorman.session(names[0]) is None and doorman.session(names[-1]) is not None
    now[0] = 13 * 3600.0
    assert doorman.session(names[-1]) is None and Doorman("").sign_in("", "a") is None


HEADER_TEXT = st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60)
PATHS = st.one_of(
    st.sampled_from(["/", "/sign-in", "/sign-out", "/metrics", "/now.json", "/style.css", "/do/", "/../x", "//"]),
    *[st.sampled_from(DEEDS).map("/do/{}".format)] * 3,
    st.text(st.characters(min_codepoint=33, max_codepoint=0x10FFFF, exclude_categories=["Cs"]), max_size=30).map(
        "/{}".format
    ),
)
FIELDS = st.dictionaries(
    st.sampled_from(
        ["minutes", "pump_percent", "fan_percent", "code", "supply_target_c", "flow_target_kg_s", "x", "token"]
    ),
    st.one_of(
        st.floats().map(str), st.integers().map(str), st.text(max_size=30), st.sampled_from(["5", "38 degC", "1e400"])
    ),
    max_size=5,
)
REQUESTS = st.fixed_dictionaries(
    {
        "method": st.sampled_from([*["POST"] * 8, "GET", "HEAD", "PUT", "DELETE", "OPTIONS", "PATCH", "TRACE", "XYZ"]),
        "path": PATHS,
        "query": st.binary(max_size=40),
        "headers": st.dictionaries(
            st.sampled_from(["cookie", "origin", "content-type", "range", "accept-encoding", "sec-fetch-site"]),
            HEADER_TEXT,
            max_size=3,
        ),
        "host": st.tuples(st.integers(0, 9), HEADER_TEXT).map(lambda drawn: drawn[1] if drawn[0] == 9 else None),
        "form": st.one_of(FIELDS, FIELDS, FIELDS, st.binary(max_size=200), st.binary(min_size=4097, max_size=4200)),
        "signed_in": st.booleans(),
    }
)


async def send(client, request, secret):
    """Send one made-up request as raw as ASGI allows."""
    headers = dict(request["headers"]) | ({"host": request["host"]} if request["host"] is not None else {})
    form, extra = request["form"], {}
    if isinstance(form, dict):
        extra["data"] = {**form, **({"form": secret} if request["signed_in"] else {})}
        headers.pop("content-type", None)
    else:
        extra["content"] = form
        headers.setdefault("content-type", "application/x-www-form-urlencoded")
    if not request["signed_in"]:
        headers.setdefault("cookie", "warmheap=none")
    url = client.base_url.copy_with(raw_path=b"/")
    made = client.build_request(request["method"], url, headers=headers, **extra)
    made.url = made.url.copy_with(raw_path=quote(request["path"]).encode() + b"?" + quote(request["query"]).encode())
    return await client.send(made)


def check_fuzz(rig, requests):
    """No request whatever may end in a 5xx, change what protects the pile, or silence the page."""

    answers = Counter()

    async def visit(client):
        secret = await signed_in(client)
        for request in requests:
            got = await send(client, request, secret)
            answers[got.status_code] += 1
            assert got.status_code < 500, (request, got.status_code)
            assert b"Traceback" not in got.content
            if request["path"] == "/sign-out" and got.status_code == 303:
                secret = await signed_in(client)
        return (await client.get("/")).status_code

    assert rig.run(visit) == 200
    allowed = {"supply_target_c", "flow_target_kg_s", "greenhouse_min_c", "greenhouse_ceiling_c"}
    now, file = rig.desk.settings, rig.desk._file
    assert all(getattr(now, f) == getattr(file, f) for f in file.__slots__ if f not in allowed)
    assert rig.desk.controller.hand.left_s <= 1800.0
    return answers


@pytest.fixture(scope="module")
def shared_rig(tmp_path_factory):
    return Rig(tmp_path_factory.mktemp("noise"), limits=FREE, turns=1)


def test_three_hundred_requests_of_noise_bring_no_server_error(shared_rig):
    answers = Counter()

    @settings(max_examples=75, deadline=None)
    @given(st.lists(REQUESTS, min_size=4, max_size=4))
    def each(requests):
        answers.update(check_fuzz(shared_rig, requests))

    each()
    assert sum(answers.values()) >= 300 and len(answers) >= 4
    assert {303, 400, 403} & set(answers)  # commands were reached
    assert max(answers.values()) < 0.8 * sum(answers.values()), answers  # no kind of answer drowns the rest


def test_the_fuzz_would_notice_a_server_error(tmp_path):
    rig = Rig(tmp_path, limits=FREE)
    rig.link.now = {"readings": {}}  # the page cannot show this
    with pytest.raises(KeyError):
        check_fuzz(rig, [])
