//! What the door promises: bounded work, shared presents, answers for asks.
#![expect(clippy::unwrap_used, reason = "tests")]

use super::*;
use leeside_config::LoadOptions;
use leeside_core::input::{Ask, Input, Origin, RestartCause};
use std::path::Path;

fn core() -> (Core, Now) {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("../../deploy/example/site.toml");
    let (site, _) = leeside_config::site::load_site(&path, &LoadOptions::around(2027)).unwrap();
    let now = Now::both(1_813_651_200_000);
    let mut core = Core::new(site.model, now);
    core.handle(now, Input::Restart(RestartCause::Started));
    (core, now)
}

fn drain(core: &mut Core) -> Vec<Output> {
    let mut all = Vec::new();
    loop {
        let output = core.poll();
        if matches!(output, Output::Wake(_)) {
            return all;
        }
        all.push(output);
    }
}

#[tokio::test]
async fn all_who_look_share_one_present_and_a_group_that_says_the_same_is_the_same_value() {
    let (mut core, now) = core();
    let model = Arc::clone(core.model());
    let (door, mut porter) = door(&model, "abc", now);
    assert!(door.present().groups.iter().all(Option::is_none));
    porter.note(&drain(&mut core));
    porter.show(&core, &wire::Board::default(), now, true);
    let (one, two) = (door.present(), door.follow().borrow().clone());
    assert!(Arc::ptr_eq(&one, &two));
    assert!(one.groups.iter().all(Option::is_some));
    assert_eq!(one.sensors.len(), model.sensors.len());
    porter.show(&core, &wire::Board::default(), now.plus(1_000), true);
    let later = door.present();
    assert_eq!(later.revision, one.revision + 1);
    let same = one.groups.iter().zip(&later.groups).all(|(a, b)| {
        a.as_ref()
            .zip(b.as_ref())
            .is_some_and(|(a, b)| Arc::ptr_eq(a, b))
    });
    assert!(same, "nothing happened, and yet groups were told anew");
}

#[tokio::test]
async fn a_large_site_is_looked_at_in_turns_and_news_come_first() {
    let (core, now) = core();
    let model = Arc::clone(core.model());
    let mut board = Board::new(&model, "abc", now);
    assert!(board.look(&core, 4), "some are left");
    assert_eq!(board.groups.iter().flatten().count(), 4);
    while board.look(&core, 4) {}
    let last = model.groups.len() - 1;
    let refused = Output::Refused {
        group: Some(GroupId::of(last)),
        by: String::new(),
        word: Word::Wind,
        because: Because::Rest,
    };
    board.note(&refused);
    board.groups[last] = None;
    assert!(!board.look(&core, 1));
    assert!(board.groups[last].is_some(), "the one with news came first");
}

#[tokio::test]
async fn whoever_asks_too_much_is_told_and_nothing_waits() {
    let (core, now) = core();
    let model = Arc::clone(core.model());
    let (door, porter) = door(&model, "abc", now);
    let waiting: Vec<_> = (0..ROOM)
        .map(|_| {
            let (door, model) = (door.clone(), Arc::clone(&model));
            tokio::spawn(async move { door.explain(&model, GroupId::of(0)).await })
        })
        .collect();
    tokio::task::yield_now().await;
    while door.asks.capacity() > 0 {
        tokio::task::yield_now().await;
    }
    assert_eq!(
        door.explain(&model, GroupId::of(0)).await,
        Err(Unanswered::Busy)
    );
    drop(porter);
    for one in waiting {
        assert_eq!(one.await.unwrap(), Err(Unanswered::Gone));
    }
    assert_eq!(
        door.explain(&model, GroupId::of(0)).await,
        Err(Unanswered::Gone)
    );
}

#[test]
fn a_refusal_is_found_among_what_came_out() {
    let (mut core, now) = core();
    drain(&mut core);
    let request = Request {
        by: "somebody".to_owned(),
        from: Origin::Centre,
        ask: Ask::Halt {
            group: GroupId::of(0),
            until: leeside_core::input::Until::Rule,
        },
    };
    // Just started: the weather is not known, and nothing may be asked by hand.
    core.handle(now.plus(10), Input::Request(request));
    let found = refusals(&drain(&mut core));
    assert_eq!(found.len(), 1, "{found:?}");
    assert_eq!(found[0].group, Some(GroupId::of(0)));
}
