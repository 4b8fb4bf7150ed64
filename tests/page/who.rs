//! Who may: signing in, roles, rooms, forms of our own only; with TLS and behind a
//! proxy.

use crate::browser::Browser;
use crate::house::{House, PASSWORD, people_verb};
use crate::plain::{Answer, Plain};

const KEEPER: (&str, &str, &[&str]) = ("keeper", "configure", &[]);
const GUEST: (&str, &str, &[&str]) = ("guest", "look", &[]);

#[test]
fn whoever_has_not_signed_in_sees_nothing_and_ends_where_they_wanted_to_go() {
    let house = House::peopled(&[GUEST]);
    let browser = Browser::take();
    browser.go(&house.at("/?a=b%26c"));
    assert_eq!(browser.title(), "Sign in");
    assert!(!browser.source().contains("south slats") && !browser.source().contains("Quick"));
    browser.fill("#name", "guest");
    browser.fill("#password", "not the password");
    browser.click("main button");
    browser.wait_text("p.wrong", "do not belong together");
    assert_eq!(browser.value("#name"), "guest", "what was typed stays");
    assert_eq!(browser.value("#password"), "", "but never a password");
    browser.fill("#password", PASSWORD);
    browser.click("main button");
    browser.wait("nav.pages");
    assert!(browser.url().ends_with("/?a=b%26c"), "{}", browser.url());
    browser.wait_text("#g-0", "south slats");
    browser.click(".who button");
    browser.wait("#password");
    browser.go(&house.at("/"));
    assert_eq!(browser.title(), "Sign in");
}

#[test]
fn an_empty_form_says_so_at_the_field() {
    let house = House::peopled(&[GUEST]);
    let plain = Plain::new(&house);
    let form = plain.get("/sign-in");
    let answer = plain.post(
        "/sign-in",
        &[("csrf", &form.hidden("csrf")), ("name", "guest")],
    );
    assert_eq!(answer.status, 422);
    assert!(
        answer.body.contains("id=\"password-wrong\">Fill this in.")
            && answer.body.contains("value=\"guest\"")
    );
}

#[test]
fn the_page_listens_on_loopback_and_answers_to_its_own_name_only() {
    let house = House::open();
    let plain = Plain::new(&house);
    assert_eq!(plain.get("/").status, 200);
    for host in [
        "evil.example",
        "evil.example:80",
        "127.0.0.1.evil.example",
        "[2001:db8::1]",
    ] {
        assert_eq!(
            plain.with(&[("host", host)], "GET", "/", "").status,
            421,
            "{host}"
        );
    }
    assert_eq!(
        plain
            .with(&[("host", "localhost:1")], "GET", "/", "")
            .status,
        200
    );
}

#[test]
fn every_answer_carries_the_headers_and_cookies_are_kept_from_scripts() {
    let house = House::peopled(&[KEEPER]);
    let plain = Plain::new(&house);
    let check = |answer: &Answer| {
        let policy = answer.header("content-security-policy");
        for part in [
            "default-src 'none'",
            "script-src 'self'",
            "style-src 'self'",
            "frame-ancestors 'none'",
            "form-action 'self'",
            "base-uri 'none'",
        ] {
            assert!(policy.contains(part), "{policy}");
        }
        assert!(!policy.contains("unsafe") && !policy.contains('*') && !policy.contains("http:"));
        assert_eq!(answer.header("x-content-type-options"), "nosniff");
        assert_eq!(answer.header("x-frame-options"), "DENY");
        assert_eq!(answer.header("referrer-policy"), "same-origin");
    };
    for path in ["/", "/sign-in", "/nowhere", "/assets/none"] {
        check(&plain.get(path));
    }
    assert_eq!(plain.get("/sign-in").header("cache-control"), "no-store");
    let signed_in = plain.sign_in("keeper", PASSWORD);
    let cookie = signed_in.header("set-cookie");
    assert!(
        cookie.contains("; HttpOnly")
            && cookie.contains("; SameSite=Lax")
            && cookie.contains("Path=/"),
        "{cookie}"
    );
    let page = plain.get("/");
    check(&page);
    assert!(
        !page.body.contains("style=\"")
            && !page.body.contains("<script>")
            && !page.body.contains(" onclick")
    );
    assert!(
        !page.body.contains("http://") && !page.body.contains("https://"),
        "no outside requests"
    );
}

#[test]
fn each_try_gets_a_new_session_and_signing_out_ends_it_at_the_service() {
    let house = House::peopled(&[KEEPER]);
    let plain = Plain::new(&house);
    plain.sign_in("keeper", PASSWORD);
    let first = plain.cookies();
    plain.sign_in_anew("keeper", PASSWORD);
    assert_ne!(first, plain.cookies(), "never the same token twice");
    let old = Plain::new(&house);
    old.set_cookies(&first);
    assert_eq!(old.get("/").status, 303, "the old session is over");
    let kept = plain.cookies();
    let token = plain.get("/").hidden("csrf");
    assert_eq!(plain.post("/sign-out", &[("csrf", &token)]).status, 303);
    let thief = Plain::new(&house);
    thief.set_cookies(&kept);
    assert_eq!(
        thief.get("/").status,
        303,
        "a stolen cookie is worth nothing afterwards"
    );
}

#[test]
fn guessing_is_slowed_down() {
    let house = House::peopled(&[KEEPER]);
    let plain = Plain::new(&house);
    for _ in 0..5 {
        assert_eq!(plain.sign_in("keeper", "guess after guess").status, 401);
    }
    let answer = plain.sign_in("keeper", PASSWORD);
    assert_eq!(answer.status, 429);
    assert!(answer.body.contains("Too many failed tries"));
}

#[test]
fn forms_that_our_page_did_not_make_do_nothing() {
    let house = House::peopled(&[KEEPER]);
    let plain = Plain::new(&house);
    plain.sign_in("keeper", PASSWORD);
    let token = plain.get("/").hidden("csrf");
    for route in leeside_page::pages::routes()
        .iter()
        .filter(|route| route.takes && route.path != "/api/v1/session")
    {
        let path = route.path.replace(['{', '}'], "");
        let none = plain.post(&path, &[]);
        let wrong = plain.post(&path, &[("csrf", &"0".repeat(64))]);
        assert_eq!((none.status, wrong.status), (403, 403), "{path}");
        let foreign = [
            ("origin", "https://evil.example"),
            ("content-type", "application/x-www-form-urlencoded"),
        ];
        let body = format!("csrf={token}");
        assert_eq!(
            plain.with(&foreign, "POST", &path, &body).status,
            403,
            "{path}"
        );
    }
    assert_eq!(plain.get("/").status, 200, "still signed in");
    let crossing = [
        ("sec-fetch-site", "cross-site"),
        ("content-type", "application/x-www-form-urlencoded"),
    ];
    assert_eq!(
        plain
            .with(&crossing, "POST", "/sign-out", &format!("csrf={token}"))
            .status,
        403
    );
}

#[test]
fn every_route_but_the_open_ones_is_shut_for_strangers_and_for_lesser_roles() {
    use leeside_page::gate::Access;
    let house = House::peopled(&[GUEST, ("hand", "operate", &[])]);
    let (stranger, guest, hand) = (Plain::new(&house), Plain::new(&house), Plain::new(&house));
    guest.sign_in("guest", PASSWORD);
    hand.sign_in("hand", PASSWORD);
    let mut shut = 0;
    for route in leeside_page::pages::routes() {
        let Access::May(role) = route.access else {
            continue;
        };
        shut += 1;
        let path = route.path.replace(['{', '}'], "");
        let to = stranger.get(&path);
        assert!(
            to.status == 401 || to.header("location").starts_with("/sign-in?to="),
            "{path}: {}",
            to.status
        );
        for (plain, may) in [(&guest, "look"), (&hand, "operate")] {
            let lesser = leeside_page::people::Role::named(may).unwrap() < role;
            if lesser {
                assert_eq!(plain.get(&path).status, 403, "{path} for {may}");
            }
        }
    }
    assert!(shut > 1);
}

#[test]
fn people_are_set_from_the_command_line_and_whoever_is_taken_out_is_out_at_once() {
    let house = House::peopled(&[GUEST]);
    let plain = Plain::new(&house);
    plain.sign_in("guest", PASSWORD);
    assert_eq!(plain.get("/").status, 200);
    let well = |words: &[&str]| {
        let out = house.people(words);
        assert!(
            out.status.success(),
            "{}",
            String::from_utf8_lossy(&out.stderr)
        );
        String::from_utf8_lossy(&out.stdout).into_owned()
    };
    let fails = |words: &[&str], part: &str| {
        let out = house.people(words);
        let said = String::from_utf8_lossy(&out.stderr).into_owned();
        assert_eq!(out.status.code(), Some(2), "{said}");
        assert!(said.contains(part), "{said}");
    };
    well(&["add", "SITE", "second", "--role", "operate"]);
    fails(
        &["add", "SITE", "second", "--role", "look"],
        "is in the people file already",
    );
    fails(
        &["add", "SITE", "third", "--role", "look", "--room", "attic"],
        "no room is called \"attic\"",
    );
    fails(&["remove", "SITE", "third"], "nobody is called \"third\"");
    fails(
        &["role", "SITE", "third", "look"],
        "nobody is called \"third\"",
    );
    let short = people_verb(
        &house.site.path,
        &["add", "SITE", "third", "--role", "look"],
        "short",
    );
    assert!(String::from_utf8_lossy(&short.stderr).contains("at least 12 characters"));
    assert!(well(&["role", "SITE", "second", "configure"]).contains("second may configure"));
    let listed = well(&["list", "SITE"]);
    assert!(
        listed.contains("guest") && listed.contains("configure"),
        "{listed}"
    );
    assert!(!listed.contains("argon2"));
    well(&["password", "SITE", "guest"]);
    assert_eq!(
        plain.get("/").status,
        303,
        "a new password ends the session"
    );
    plain.sign_in("guest", PASSWORD);
    assert_eq!(plain.get("/").status, 200);
    well(&["remove", "SITE", "guest"]);
    assert_eq!(plain.get("/").status, 303, "out at once");
}

#[test]
fn a_broken_people_file_lets_nobody_in_and_the_log_says_why() {
    let house = House::peopled(&[GUEST]);
    let plain = Plain::new(&house);
    plain.sign_in("guest", PASSWORD);
    std::fs::write(house.site.dir.path().join("people.toml"), "[[person]\n").unwrap();
    assert_eq!(plain.get("/").status, 303);
    house.daemon.wait_line("nobody can sign in");
}
