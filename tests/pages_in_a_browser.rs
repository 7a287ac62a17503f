//! The pages as people meet them: the whole program, the demo, a real browser.

mod browser;

use browser::{Browser, View, Yard};

/// Every page that a menu or a list leads to, by the name of its picture.
async fn pages(browser: &Browser) -> Vec<(&'static str, String)> {
    let mut pages: Vec<(&str, String)> = [
        ("afloat", "/afloat"),
        ("lay-up", "/lay-up"),
        ("bench", "/bench"),
        ("stores", "/stores"),
        ("stores-found", "/stores?find=kit"),
        ("stores-nothing", "/stores?find=zzzz"),
        ("order", "/stores/order"),
        ("count", "/stores/count"),
        ("shelf-life", "/stores/shelf-life"),
        ("orders", "/stores/orders"),
        ("orders-all", "/stores/orders?state=all"),
        ("surplus", "/stores/surplus"),
        ("fleet", "/fleet"),
        ("fleet-sorted", "/fleet?sort=-hours"),
        ("hours", "/fleet/hours"),
        ("lives", "/fleet/lives"),
        ("retire", "/fleet/retire"),
        ("yard", "/yard"),
        ("calendars", "/yard/calendars"),
        ("files", "/yard/files"),
        ("nothing-here", "/no-such-page"),
    ]
    .map(|(name, path)| (name, path.to_owned()))
    .to_vec();
    browser.go("/fleet?sort=-hours").await;
    let engine = browser.link("tbody th a").await;
    for (name, page) in [
        ("meter", "meter"),
        ("correction", "correction"),
        ("finding", "finding"),
        ("spare", "spare"),
        ("check", "check"),
    ] {
        pages.push((name, format!("{engine}/{page}")));
    }
    pages.push(("engine", engine));
    browser.go("/fleet/lives").await;
    pages.push(("life", browser.link("h2 a").await));
    browser.go("/stores?find=kit").await;
    let part = browser.link("tbody th a").await;
    pages.push(("moves", format!("{part}/moves")));
    pages.push(("part", part));
    browser.go("/bench").await;
    for (name, state) in [
        ("job-on-test", "on_test"),
        ("job-on-bench", "on_bench"),
        ("job-proposed", "proposed"),
        ("job-stood-over", "stood_over"),
    ] {
        let card = format!("li[data-state='{state}'] a.card");
        pages.push((name, browser.link(&card).await));
    }
    browser.go("/stores/orders?state=all").await;
    pages.push(("purchase", browser.link("tbody th a").await));
    browser.go("/stores/order").await;
    pages.push(("supplier", browser.link("h2 a").await));
    pages
}

async fn look_at_all(browser: &Browser, pages: &[(&str, String)]) {
    for (name, path) in pages {
        browser.go(path).await;
        assert!(!browser.heading().await.is_empty(), "{path}");
        browser.assert_accessible().await;
        browser.assert_targets_are_large().await;
        browser.picture(name).await;
    }
}

#[rstest::rstest]
#[case::at_a_desk(View::Desk)]
#[case::at_a_desk_in_the_dark(View::DeskDark)]
#[case::on_a_phone(View::Phone)]
#[tokio::test]
async fn every_page_can_be_used_by_everybody(#[case] view: View) {
    let yard = Yard::open();
    let browser = yard.owner(view).await;
    let pages = pages(&browser).await;
    look_at_all(&browser, &pages).await;
    browser.press("form.who button").await;
    assert_eq!(browser.path().await, "/sign-in");
    browser.assert_accessible().await;
    browser.picture("sign-in").await;
    browser.close().await;
}

#[tokio::test]
async fn sundays_hours_are_typed_on_a_phone_and_a_fall_is_asked_about_at_once() {
    let yard = Yard::open();
    let phone = yard.owner(View::Phone).await;
    phone.press_words("Enter the hours from the board").await;
    let lines = phone.board().await;
    let [first, second, third] = &lines[..] else { panic!("three lines with a reading") };

    phone.fill(&first.field, &format!("{:.1}", first.last + 0.4)).await;
    phone.fill(&second.field, &format!("{:.1}", second.last - 3.0)).await;
    let asked = phone.find(&second.asks).await.text().await.expect("text");
    assert!(asked.contains("shown before"), "asked before anything is sent: {asked}");
    phone.picture("hours-asked").await;

    phone.press_words("Save the hours typed").await;
    let says = phone.find(".notice").await.text().await.expect("text");
    assert!(says.contains("1 reading saved.") && says.contains("1 line is asked about"), "{says}");
    assert_eq!(phone.value(&second.field).await, format!("{:.1}", second.last - 3.0));
    assert_eq!(phone.value(&first.field).await, "", "what was saved is not asked again");
    phone.assert_accessible().await;

    // It was a typing slip.
    phone.fill(&second.field, &format!("{:.1}", second.last + 0.3)).await;
    phone.press_words("Save the hours typed").await;
    let says = phone.find(".notice").await.text().await.expect("text");
    assert!(says.starts_with("1 reading saved."), "{says}");

    // A swapped meter is one tap and two numbers.
    phone.press(&third.swap).await;
    phone.fill("#old_last", &format!("{:.1}", third.last)).await;
    phone.fill("#new_first", "0").await;
    phone.picture("meter-swapped").await;
    phone.press_words("Record the new meter").await;
    assert!(phone.path().await.starts_with("/fleet/hours"), "back on the board");
    let swapped = phone.board_line(&third.id).await.expect("the line is still there");
    assert_eq!(swapped.last, 0.0);
    phone.close().await;
}

/// Two bad rows are shown with line and reason, corrected in the file, loaded; nothing is doubled.
#[tokio::test]
async fn a_sheet_with_bad_rows_is_corrected_and_loaded_once() {
    let yard = Yard::open();
    let desk = yard.owner(View::Desk).await;
    desk.go("/fleet?sort=-hours").await;
    let serial = desk.find("tbody th a").await.text().await.expect("text");
    let folder = tempfile::tempdir().expect("a folder");
    let look = async |name: &str, rows: &str| {
        let file = folder.path().join(name);
        let header = "serial,title,urgency,found_at\n";
        std::fs::write(&file, format!("{header}{rows}")).expect("a file");
        desk.go("/yard").await;
        desk.press_words("Load a file").await;
        desk.choose_option("#kind", "findings").await;
        desk.fill_plain("#file", file.to_str().expect("a path")).await;
        desk.press_words("Look at the file").await;
        desk.assert_accessible().await;
    };
    let good = format!("{serial},Cowl latch bent,next_service,2026-07-04\n");
    look(
        "sheet.csv",
        &format!("{good}NO-1,Loose clamp,stop,2026-07-04\n{serial},Hum,loud,2026-07-04\n"),
    )
    .await;
    let says = desk.text().await;
    assert!(says.contains("2 values break a rule") && says.contains("NO-1"), "{says}");
    desk.picture("files-bad-rows").await;

    look("sheet.csv", &good).await;
    assert!(desk.text().await.contains("Nothing is kept yet."), "{}", desk.text().await);
    desk.picture("files-looked-at").await;
    desk.press_words("Load 1 row").await;
    let says = desk.find(".notice").await.text().await.expect("text");
    assert_eq!(says, "sheet.csv: 1 row is on record now.");

    look("sheet.csv", &good).await;
    assert!(desk.text().await.contains("There is nothing to load."), "{}", desk.text().await);
    desk.close().await;
}

#[tokio::test]
async fn an_engine_that_pops_out_of_gear_is_held_and_the_bench_has_a_job() {
    let yard = Yard::open();
    let phone = yard.owner(View::Phone).await;
    phone.go("/fleet?sort=-hours").await;
    let engine = phone.link("tbody th a").await;
    phone.go(&format!("{engine}/finding")).await;

    phone.press_words("Record the finding").await;
    let says = phone.text().await;
    assert!(says.contains("Choose what was found."), "{says}");
    phone.assert_accessible().await;

    phone.choose("pops out of gear").await;
    phone.fill("#note", "at low speed, under load").await;
    phone.press_words("Record the finding").await;
    let says = phone.find(".notice").await.text().await.expect("text");
    assert!(says.contains("is on hold") && says.contains("proposed on the bench"), "{says}");
    phone.assert_accessible().await;
    phone.picture("held").await;

    phone.go("/bench").await;
    assert!(phone.text().await.to_lowercase().contains("pops out of gear"));
    phone.go(&engine).await;
    phone.fill("#note-1", "dog clutch renewed, test run done").await;
    phone.choose("the finding is closed").await;
    phone.press_words("Clear the hold").await;
    let says = phone.find(".notice").await.text().await.expect("text");
    assert!(says.contains("is cleared") && says.contains("finding is closed"), "{says}");
    phone.close().await;
}

/// A closed list changes at each arrow key; the page goes on only when the choice is confirmed.
#[tokio::test]
async fn arrow_keys_in_a_filter_leave_the_page_until_enter() {
    let yard = Yard::open();
    let desk = yard.owner(View::Desk).await;
    desk.go("/fleet").await;
    desk.focus("#pool").await;
    for _ in 0..2 {
        desk.arrow_down().await;
    }
    let third = desk.find("#pool option:nth-child(3)").await;
    let third = third.attr("value").await.expect("an attribute").expect("a value");
    assert_eq!(desk.value("#pool").await, third, "both keys moved the same list");
    assert_eq!((desk.path().await.as_str(), desk.focused_id().await.as_str()), ("/fleet", "pool"));
    desk.enter().await;
    desk.find_in_time(&format!("#pool option[value='{third}'][selected]")).await;
    assert!(desk.path().await.contains(&third));
    desk.close().await;
}

#[tokio::test]
async fn everything_works_without_script() {
    let yard = Yard::open();
    let plain = yard.owner(View::Plain).await;
    plain.press_words("Enter the hours from the board").await;
    let field = plain.find("ol.board input[data-last]:not([data-last='0'])").await;
    let id = field.attr("id").await.expect("an attribute").expect("an id");
    let last = field.attr("data-last").await.expect("an attribute").expect("a number");
    let last: f64 = last.parse().expect("a number");
    field.send_keys(&format!("{:.1}", last + 0.2)).await.expect("typed");
    plain.press_words("Save the hours typed").await;
    let says = plain.find(".notice").await.text().await.expect("text");
    assert!(says.starts_with("1 reading saved."), "{says}");
    assert_eq!(plain.value(&format!("#{id}")).await, "");
    plain.go("/stores").await;
    plain.fill_plain("#find", "impeller").await;
    plain.press_words("Find").await;
    assert!(plain.heading().await.contains("with \"impeller\""));
    plain.picture("found").await;
    plain.close().await;
}

#[tokio::test]
async fn the_keyboard_reaches_the_page_and_every_room() {
    let yard = Yard::open();
    let desk = yard.owner(View::Desk).await;
    desk.tab().await;
    assert_eq!(desk.focused().await, "To the page");
    desk.enter().await;
    assert_eq!(desk.focused_id().await, "main", "the first stop leads past the head");
    desk.go("/afloat").await;
    let mut reached = Vec::new();
    for _ in 0..9 {
        desk.tab().await;
        reached.push(desk.focused().await);
    }
    for room in ["Afloat", "Lay-up", "Bench", "Stores", "Fleet", "Yard"] {
        assert!(reached.iter().any(|text| text == room), "{room} in {reached:?}");
    }
    desk.close().await;
}

#[tokio::test]
async fn the_due_list_opens_to_its_reason_and_prints_without_controls() {
    let yard = Yard::open();
    let desk = yard.owner(View::Desk).await;
    desk.go("/afloat?all=yes&by=2026-08-31").await;
    assert!(desk.count("ul.due > li").await > 20, "a season's work");
    let hatched = desk.count("ul.due .wide svg.tide rect.f-probable").await;
    assert!(hatched > 10, "bands are drawn: {hatched}");
    let row = desk.find("ul.due > li").await.text().await.expect("text");
    assert!(row.contains("limit") || row.contains("calendar"), "{row}");
    desk.press("ul.due > li a").await;
    assert!(desk.text().await.contains("What falls due"));
    desk.go("/afloat").await;
    desk.print().await;
    assert_eq!(desk.visible("nav, button, .button, form.filter").await, 0);
    desk.picture("afloat-print").await;
    desk.close().await;
}

#[tokio::test]
async fn the_operator_sees_the_thin_day_on_a_phone_on_a_monday_in_july() {
    let yard = Yard::open();
    let phone = yard.owner(View::Phone).await;
    assert_eq!(phone.heading().await, "Due, seen from Monday 6 July");
    let text = phone.text().await;
    let thin = text.lines().find(|line| line.contains(" short on ")).expect("a thin day");
    assert!(thin.contains("wanted") && thin.contains("there"), "it says why: {thin}");
    let drawn = phone.count("figure .narrow svg .f-short").await;
    assert!(drawn > 0, "the thin day is outlined in the picture");
    let fits = phone.visible("figure .wide svg").await;
    assert_eq!(fits, 0, "the picture is the phone's own");
    let open = phone.visible("ul.due > li").await;
    assert!((1..=16).contains(&open), "the list is short: {open}");
    phone.close().await;
}

/// Says of every task on the card that it was done, in so many minutes.
async fn all_done(browser: &Browser, minutes: &str) {
    let tasks = browser.count("ol.work > li").await;
    assert!(tasks > 0, "a job has work");
    for place in 1..=tasks {
        let task = format!("ol.work > li:nth-child({place})");
        let done = browser.find(&format!("{task} option[value='done']")).await;
        done.click().await.expect("chosen");
        browser.retype(&format!("{task} input[inputmode='numeric']"), minutes).await;
    }
}

#[tokio::test]
async fn a_card_is_worked_from_kitted_to_released_and_its_parts_are_booked_once() {
    let yard = Yard::open();
    let plain = yard.owner(View::Plain).await;
    plain.go("/bench").await;
    let card = plain.link("li[data-state='kitted'] a.card").await;
    plain.go(&card).await;
    plain.press_words("Start on the bench").await;
    assert!(plain.find(".notice").await.text().await.expect("text").contains("on the bench"));
    let caution = plain.find(".caution").await.text().await.expect("text");
    assert!(caution.contains("maker's manual"), "{caution}");

    all_done(&plain, "soon").await;
    plain.press_words("Work done: to test").await;
    let kept = plain.value("ol.work input[inputmode='numeric']").await;
    assert_eq!(kept, "soon", "what was typed stays");
    assert!(plain.text().await.contains("Minutes as a number"));
    all_done(&plain, "35").await;
    plain.retype("#meter", "0").await;
    plain.press_words("Work done: to test").await;
    assert!(plain.find("#meter-fault").await.text().await.expect("text").contains("shown before"));
    plain.retype("#meter", "").await;
    plain.press_words("Work done: to test").await;
    assert!(plain.find(".notice").await.text().await.expect("text").contains("on test"));

    let part = plain.link("ul.kit > li:first-child > a").await;
    let lots = plain.count("ul.kit > li:first-child .lot").await;
    plain.press_words("Release, and book what was used").await;
    let says = plain.find(".notice").await.text().await.expect("text");
    assert!(says.contains("is released") && says.contains("booked"), "{says}");
    assert_eq!(plain.count("button[name='go']").await, 0, "a released job never moves again");
    plain.picture("job-released").await;
    plain.go(&format!("{part}/moves")).await;
    let to_job = plain.count(&format!("tbody a[href='{card}']")).await;
    assert_eq!(to_job, lots, "each lot left the shelf once");
    plain.close().await;
}

#[tokio::test]
async fn a_count_on_a_phone_asks_why_it_differs_and_books_the_difference() {
    let yard = Yard::open();
    let phone = yard.owner(View::Phone).await;
    phone.go("/stores/count").await;
    let first = "ol.board > li:first-child input[inputmode='numeric']";
    let field = phone.find(first).await.attr("id").await.expect("an attribute").expect("an id");
    let field = format!("[id='{field}']");
    phone.fill(&field, "9999").await;
    phone.press_words("Save the counts typed").await;
    let asked = phone.find(".asked").await.text().await.expect("text");
    assert!(asked.contains("say why"), "{asked}");
    assert_eq!(phone.value(&field).await, "9999", "what was typed stays");
    phone.assert_accessible().await;
    phone.picture("count-asked").await;
    phone.fill(".asked input", "a box nobody had entered").await;
    phone.press_words("Save the counts typed").await;
    let says = phone.find(".notice").await.text().await.expect("text");
    assert!(says.starts_with("1 count saved, 1 of them different."), "{says}");
    phone.close().await;
}

#[tokio::test]
async fn the_buyer_moves_the_point_drafts_sends_and_receives_in_part() {
    let yard = Yard::open();
    let desk = yard.owner(View::Desk).await;
    desk.go("/stores/order").await;
    let lines = desk.count("table.stacks tbody tr:not(.total)").await;
    assert!(lines > 2, "the demo needs parts: {lines}");
    desk.picture("buyer-advice").await;

    // Money that can't be read is said beside the field, and what was typed stays.
    desk.fill("#budget", "about 300").await;
    desk.press_words("Move the point").await;
    assert_eq!(desk.value("#budget").await, "about 300");
    assert!(desk.count("#budget-fault").await == 1);
    desk.assert_accessible().await;

    // The point is moved to where little is spent: the lines follow.
    desk.fill("#budget", "1200").await;
    desk.fill("#month_limit", "100").await;
    desk.press_words("Move the point").await;
    wait_for_the_point(&desk).await;
    let text = desk.text().await;
    assert!(text.contains("For a budget of 1200.00"), "{text}");
    assert!(
        text.contains("a month, freight included, ")
            && text.contains("A draft takes what is bought now"),
        "{text}"
    );
    let fewer = desk.count("table.stacks tbody tr:not(.total)").await;
    assert!(fewer < lines, "{fewer} of {lines}");
    desk.picture("buyer-point-moved").await;
    desk.fill("#budget", "").await;
    desk.fill("#month_limit", "").await;
    desk.press_words("Move the point").await;
    wait_for_the_point(&desk).await;

    desk.press_words("Draft one order a supplier").await;
    let says = desk.find(".notice").await.text().await.expect("text");
    assert!(says.contains("drafted"), "{says}");
    desk.go("/stores/orders?state=draft").await;
    let order = desk.link("tbody th a").await;
    desk.go(&order).await;
    assert!(desk.heading().await.ends_with("draft"));

    // A line is doubted: without a note it is not overruled.
    desk.find("details summary").await.click().await.expect("it opens");
    let advised: i64 = desk.value("#quantity-1").await.parse().expect("a number");
    desk.fill("#quantity-1", &format!("{}", advised * 2)).await;
    desk.press_words("Change the line").await;
    assert!(desk.count("#note-1-fault").await == 1, "{}", desk.text().await);
    desk.assert_accessible().await;
    desk.fill("#note-1", "the neighbour takes half").await;
    desk.press_words("Change the line").await;
    assert!(desk.text().await.contains("the neighbour takes half"));
    desk.picture("buyer-draft").await;

    an_order_is_sent_and_comes_in_part(&desk, &order).await;
    desk.close().await;
}

async fn wait_for_the_point(desk: &Browser) {
    while desk.text().await.contains("is being computed") {
        desk.go(&desk.path().await).await;
    }
}

async fn an_order_is_sent_and_comes_in_part(desk: &Browser, order: &str) {
    desk.press_words("Approve the order").await;
    let (table, kind) = desk.download(&format!("{order}/sheet/csv")).await;
    assert!(kind.starts_with("text/csv") && table.starts_with("order,line,"), "{kind}: {table}");
    let (page, kind) = desk.download(&format!("{order}/sheet/pdf")).await;
    assert!(kind == "application/pdf" && page.starts_with("%PDF-"), "{kind}");
    desk.assert_accessible().await;
    desk.picture("buyer-approved").await;
    desk.press_words("Book it as sent").await;
    assert!(desk.heading().await.contains("with the supplier"));

    // More than was ordered is not taken in silence; one piece short is.
    desk.fill("#taken-1", "100000000").await;
    desk.press_words("Receive what came").await;
    assert!(desk.count("#taken-1-fault").await == 1, "{}", desk.text().await);
    assert_eq!(desk.value("#taken-1").await, "100000000");
    desk.assert_accessible().await;
    desk.fill("#taken-1", "1").await;
    desk.press_words("Receive what came").await;
    let says = desk.find(".notice").await.text().await.expect("text");
    assert!(says.contains("1 line received and on the shelf"), "{says}");
    assert!(desk.heading().await.contains("received in part"));
    desk.assert_accessible().await;
    desk.picture("buyer-received").await;
}

#[tokio::test]
async fn a_winter_is_planned_moved_by_hand_locked_published_and_planned_again() {
    let yard = Yard::open();
    let desk = yard.owner(View::Desk).await;
    desk.go("/lay-up").await;
    assert!(desk.heading().await.starts_with("No lay-up plan yet"));
    desk.assert_accessible().await;
    desk.picture("lay-up-empty").await;
    desk.press_words("What each engine needs").await;
    assert!(desk.count("ul.bundles > li").await > 10, "a fleet's work");
    desk.assert_accessible().await;
    desk.picture("bundles").await;
    let struck = desk.value("ul.bundles input[name=strike]").await;
    let boxes = desk.find("ul.bundles input[name=strike]").await;
    boxes.click().await.expect("a tick");
    desk.press_words("Make a plan of this").await;
    desk.picture("plan-in-the-making").await;
    desk.find_in_time("section.week").await;
    let text = desk.text().await;
    assert!(text.contains("A draft of") && text.contains("no plan can cost less"), "{text}");
    assert!(text.contains("still to be ordered, the first by"), "{text}");
    assert!(text.contains("Still to be ordered") && text.contains(": order by "), "{text}");
    desk.assert_accessible().await;
    desk.assert_targets_are_large().await;
    desk.picture("lay-up-plan").await;

    a_visit_is_dragged_and_only_asked_about(&desk).await;

    // Why that day, what another would cost, kept, locked.
    desk.press("table.days tbody a.when").await;
    let visit = desk.path().await;
    desk.assert_accessible().await;
    desk.picture("visit").await;
    desk.press("table.stacks tbody a.when").await;
    let asked = desk.find(".notice").await.text().await.expect("text");
    assert!(asked.contains("the plan costs"), "shown before it is kept: {asked}");
    desk.picture("visit-asked").await;
    desk.press_words("Put it on").await;
    let says = desk.find(".notice").await.text().await.expect("text");
    assert!(says.contains("is on the bench on"), "{says}");
    desk.go(&visit).await;
    let moved_to = desk.heading().await;
    desk.press_words("Lock it on this day").await;
    desk.press_words("Publish this plan").await;
    assert!(desk.text().await.contains("Published"));
    let published = desk.path().await;
    its_visits_are_jobs_on_the_bench(&desk).await;

    // What if, beside the plan that holds.
    desk.go(&published).await;
    desk.press_words("What if").await;
    desk.assert_accessible().await;
    desk.picture("what-if").await;
    desk.press_words("Try it beside the plan").await;
    desk.find_in_time("dl.facts").await;
    let text = desk.text().await;
    assert!(text.contains("Beside the plan") && text.contains("the change alone costs"), "{text}");
    assert!(text.contains("Solved on the records as they were"), "{text}");
    desk.assert_accessible().await;
    desk.picture("what-if-answered").await;

    // Planned again: what is locked stays, what is struck stays struck.
    desk.go(&published).await;
    desk.press_words("Plan again, moving little").await;
    desk.find_in_time("section.week").await;
    assert!(desk.text().await.contains("A draft of"));
    assert_eq!(desk.count("table.days tbody th .mark.plain").await, 1, "one is locked");
    desk.press("table.days tbody tr:has(th .mark.plain) a.when").await;
    assert_eq!(desk.heading().await, moved_to, "a locked visit is not moved");
    desk.go("/lay-up/bundles").await;
    let kept = desk.find(&format!("input[name=strike][value=\"{struck}\"]")).await;
    assert!(kept.is_selected().await.expect("a box"), "what was struck is remembered");
    desk.go("/lay-up").await;
    desk.press_words("Compare").await;
    let otherwise = desk.count("table.stacks tbody tr").await;
    assert!(otherwise <= 3, "nothing changed, so little moves: {otherwise}");
    desk.assert_accessible().await;
    desk.picture("beside").await;
    desk.go(&published).await;
    desk.print().await;
    assert_eq!(desk.visible("nav, button, .button, form.filter").await, 0);
    desk.picture("lay-up-print").await;
    desk.close().await;
}

async fn its_visits_are_jobs_on_the_bench(desk: &Browser) {
    let says = desk.find(".notice").await.text().await.expect("text");
    assert!(says.contains("holds now. Jobs: ") && says.contains(" made"), "{says}");
    let planned = desk.links("section.week tbody th a").await;
    assert!(planned.len() > 10, "a fleet's work: {planned:?}");
    desk.go("/bench").await;
    let open = desk.links("li[data-state='kitted'] a, li[data-state='short'] a").await;
    for engine in &planned {
        assert!(open.contains(engine), "{engine} has no agreed job: {open:?}");
    }
    desk.assert_accessible().await;
    desk.picture("bench-published").await;
}

/// A visit that may begin on another day of its own week, and that day. The last weeks of a winter
/// have most room.
async fn free_in_its_week(desk: &Browser) -> (String, String) {
    let plan = desk.path().await;
    let visits = desk.links("tr[data-visit] a.when").await;
    for visit in visits.into_iter().rev() {
        desk.go(&visit).await;
        let free = desk.links("table.stacks tbody a.when").await;
        desk.go(&plan).await;
        for day in free.iter().filter_map(|to| to.split_once("?on=")).map(|(_, day)| day) {
            if desk.count(&week_of(&visit, day)).await == 1 {
                return (visit, day.to_owned());
            }
        }
    }
    panic!("no visit has a free day in its own week: {}", desk.text().await);
}

/// The head of `day` in the week in which a visit stands.
fn week_of(visit: &str, day: &str) -> String {
    format!("table.days:has(tr[data-visit='{visit}']) th[data-day='{day}']")
}

async fn a_visit_is_dragged_and_only_asked_about(desk: &Browser) {
    let plan = desk.path().await;
    let before = desk.text().await;
    let (visit, day) = free_in_its_week(desk).await;
    let when = format!("tr[data-visit='{visit}'] a.when");
    let stood = desk.find(&when).await.text().await.expect("text");
    desk.drag(&format!("tr[data-visit='{visit}'] td.whole"), &week_of(&visit, &day)).await;
    assert_eq!(desk.path().await, format!("{visit}?on={day}"));
    let asked = desk.find(".notice").await.text().await.expect("text");
    assert!(asked.contains("the plan costs"), "{asked}");
    desk.assert_accessible().await;
    desk.picture("visit-dragged").await;
    desk.go(&plan).await;
    assert_eq!(desk.text().await, before, "nothing is kept of what was only asked about");

    // The same by keys alone, and kept.
    desk.focus(&when).await;
    desk.enter().await;
    desk.find("#on").await;
    assert_eq!(desk.path().await, visit);
    let free = desk.find("table.stacks tbody a.when").await.text().await.expect("text");
    desk.tab_to(&free).await;
    desk.enter().await;
    let asked = desk.find(".notice").await.text().await.expect("text");
    assert!(asked.contains("the plan costs"), "{asked}");
    desk.tab_to("Put it on").await;
    desk.enter().await;
    desk.find("section.week").await;
    let stands = desk.find(&when).await.text().await.expect("text");
    assert_ne!(stands, stood, "kept by keys");
}

#[tokio::test]
async fn a_plan_is_made_and_moved_without_script() {
    let yard = Yard::open();
    let plain = yard.owner(View::Plain).await;
    plain.go("/afloat/rotation").await;
    plain.press_words("Plan the rotation").await;
    // The program has its own seconds; without script one looks again.
    for _ in 0..600 {
        if plain.path().await.starts_with("/afloat/rotation?plan=") {
            break;
        }
        plain.press_words("Look again").await;
    }
    assert!(plain.path().await.starts_with("/afloat/rotation?plan="), "the plan is made");
    plain.press_words("Swap or move").await;
    assert!(plain.text().await.contains("Why then"));
    plain.close().await;
}

#[rstest::rstest]
#[case::at_a_desk(View::Desk)]
#[case::at_a_desk_in_the_dark(View::DeskDark)]
#[case::on_a_phone(View::Phone)]
#[tokio::test]
async fn the_weeks_services_are_proposed_one_is_moved_and_they_are_accepted(#[case] view: View) {
    let yard = Yard::open();
    let phone = yard.owner(view).await;
    phone.go("/afloat/rotation").await;
    phone.press_words("Plan the rotation").await;
    phone.find_in_time("a[href^='/plans/visits/']").await;
    let text = phone.text().await;
    assert!(text.contains("boat-day") && text.contains("no plan can cost less"), "{text}");
    phone.assert_accessible().await;
    phone.assert_targets_are_large().await;
    phone.picture("rotation").await;
    phone.press_words("Swap or move").await;
    phone.assert_accessible().await;
    phone.assert_targets_are_large().await;
    phone.picture("rotation-visit").await;
    phone.press("table.stacks tbody a.when").await;
    phone.press_words("Put it on").await;
    phone.go("/afloat").await;
    phone.press_words("Accept").await;
    assert!(phone.text().await.contains("Published"));
    phone.go("/afloat").await;
    assert!(phone.text().await.contains("Out this week"));
    phone.assert_accessible().await;
    phone.picture("afloat-rotation").await;
    phone.close().await;
}
