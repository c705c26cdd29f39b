use super::*;

const GOOD: &str = "title = \"t\"\n[[item]]\nmuscle = \"left index abduction\"\ntest = \"make\"\n";

fn refused(text: &str) -> String {
    Plan::parse(text).unwrap_err().to_string()
}

#[test]
fn defaults_are_filled_in_and_survive_toml() {
    let plan = Plan::parse(GOOD).unwrap();
    assert_eq!((plan.items[0].trials, plan.items[0].hold_s, plan.items[0].rest_s), (3, 3.0, 60.0));
    assert_eq!(Plan::parse(&plan.to_toml()).unwrap(), plan);
}

#[test]
fn errors_name_the_line_and_the_key() {
    for (text, parts) in [
        (format!("{GOOD}hold = 3\n"), ["line 5, column 1", "unknown key `hold`: did you mean `hold_s`?"]),
        (GOOD.replace("index", "toe"), ["line 3, column 10", "thumb"]),
        (GOOD.replace("make", "mak"), ["line 4, column 8", "make"]),
        (format!("{GOOD}palm = \"dwon\"\n"), ["line 5, column 8", "did you mean `down`?"]),
        (format!("{GOOD}trials = 0\n"), ["line 5, column 10", "trials = 0: use 1 to 5"]),
        (format!("{GOOD}trials = 6\n"), ["line 5, column 10", "item 1 (left index abduction make)"]),
        (format!("{GOOD}familiarisation = 3\n"), ["line 5, column 19", "come to 6 pulls"]),
        (format!("{GOOD}trials = \"many\"\n"), ["line 5, column 10", "a whole number"]),
        (format!("{GOOD}hold_s = nan\n"), ["line 5, column 10", "hold_s"]),
        (format!("{GOOD}rest_s = -1.0\n"), ["line 5, column 10", "rest_s"]),
        (format!("{GOOD}grip = \"same\"\n"), ["line 5, column 8", "another muscle"]),
        (format!("{GOOD}target_percent = 20.0\n"), ["line 5, column 18", "only a submaximal hold"]),
        (GOOD.replace("make", "length"), ["line 4, column 8", "procedure = \"examined\""]),
        (GOOD.replace("title", "tile"), ["line 1, column 1", "did you mean `title`?"]),
        ("title = \"t\"\nitem = []\n".to_owned(), ["line 1", "no [[item]]"]),
        ("title = \"t\"\n[item]\n".to_owned(), ["line 2", "two brackets"]),
    ] {
        let error = refused(&text);
        assert!(parts.iter().all(|part| error.contains(part)), "{text}\n{error}");
    }
}

#[test]
fn a_break_without_a_make_before_it_is_refused() {
    let examined = GOOD.replace("title = \"t\"", "title = \"t\"\nprocedure = \"examined\"");
    let broken = "[[item]]\nmuscle = \"left index abduction\"\ntest = \"break\"\n";
    assert!(Plan::parse(&format!("{examined}{broken}")).is_ok());
    assert!(refused(&examined.replace("make", "break")).contains("make test"));
    assert!(refused(&format!("{examined}{}", broken.replace("left", "right"))).contains("line 8"));
}

const LONG: &str = "title = \"t\"
procedure = \"examined\"
sides = [\"left\", \"right\"]
tests = [\"make\", \"break\"]

[defaults]
rest_s = 20.0
palm = \"down\"

[test.make]
hold_s = 4.0

[[muscle]]
muscle = \"index abduction\"
rest_s = 30.0

[[muscle]]
muscle = \"little abduction\"
tests = [\"make\"]
palm = \"up\"
";

#[test]
fn the_long_form_is_laid_out_side_by_side_and_the_most_special_key_wins() {
    let plan = Plan::parse(LONG).unwrap();
    let names: Vec<String> = plan.items.iter().map(Item::name).collect();
    let of = |side: &str| {
        ["index abduction make", "index abduction break", "little abduction make"]
            .map(|n| format!("{side} {n}"))
    };
    assert_eq!(names, [of("left"), of("right")].concat());
    let keys: Vec<_> = plan.items[..3].iter().map(|i| (i.rest_s, i.hold_s, i.palm.as_str())).collect();
    assert_eq!(keys, [(30.0, 4.0, "down"), (30.0, 3.0, "down"), (20.0, 4.0, "up")]);
}

#[test]
fn errors_of_the_long_form_name_the_line_where_the_value_stands() {
    for (from, to, parts) in [
        ("hold_s = 4.0", "hold_s = 400.0", ["line 11, column 10", "hold_s"]),
        ("rest_s = 20.0", "rset_s = 20.0", ["line 7, column 1", "did you mean `rest_s`?"]),
        ("[test.make]", "[test.mak]", ["line 10", "no item of the plan has the test `mak`"]),
        ("index abduction", "middle abduction", ["line 14, column 10", "radial-deviation"]),
        ("\"make\", \"break\"", "\"break\"", ["line 4, column 10", "make test"]),
        ("\"left\", ", "\"top\", ", ["line 3, column 10", "use one of left, right"]),
    ] {
        let error = refused(&LONG.replace(from, to));
        assert!(parts.iter().all(|part| error.contains(part)), "{to}\n{error}");
    }
}

#[test]
fn the_uninvolved_side_comes_first_and_random_orders_come_from_the_seed() {
    let sides = |text: &str, seed| Plan::parse(text).unwrap().arrange(seed).sides();
    let involved = LONG.replace("sides", "involved_side = \"left\"\nsides");
    assert_eq!(sides(&involved, 0), [Side::Right, Side::Left]);
    let random = LONG.replace("sides", "randomise = [\"side\", \"muscle\"]\nsides");
    let arranged = |seed| Plan::parse(&random).unwrap().arrange(seed);
    let firsts: Vec<Side> = (0..64).map(|seed| arranged(seed).sides()[0]).collect();
    let lefts = firsts.iter().filter(|side| **side == Side::Left).count();
    assert!((20..45).contains(&lefts), "{lefts} of 64 begin left");
    let plan = arranged(9);
    assert_eq!((plan.seed, plan.arranged), (Some(9), true));
    assert_eq!(Plan::parse(&plan.to_toml()).unwrap().arrange(77), plan, "what was arranged stays");
    assert!(
        (0..64).all(|seed| Plan::parse(&arranged(seed).to_toml()).is_ok()),
        "a make stays before its break"
    );
}

#[test]
fn a_side_and_a_muscle_say_where_they_are_measured() {
    let text = LONG.replace(
        "[[muscle]]\nmuscle = \"little",
        "[side.right]\nsensor = 2\nrest_s = 25.0\n[[muscle]]\nchannel = 3\nmuscle = \"little",
    );
    let plan = Plan::parse(&text).unwrap();
    let places: Vec<_> = plan.items.iter().map(|item| (item.place(), item.rest_s)).collect();
    let left = [((1, 1), 30.0), ((1, 1), 30.0), ((1, 3), 20.0)];
    let right = [((2, 1), 30.0), ((2, 1), 30.0), ((2, 3), 25.0)];
    assert_eq!(places, [left, right].concat(), "a muscle's own key is more special than its side's");
    assert_eq!(Plan::parse(&plan.to_toml()).unwrap(), plan);
    assert!(!Plan::parse(GOOD).unwrap().to_toml().contains("sensor"), "what is not said is not written");
    assert!(plan.needs_more_than(1).unwrap().contains("item 4") && plan.needs_more_than(2).is_none());
    assert!(plan.misfit(1, 2).unwrap().contains("channel 3 of sensor 1, which has 2"));
    assert!(plan.misfit(2, 3).is_none());
    for (wrong, why) in [
        ("[side.up]\nsensor = 1\n", "no side `up`"),
        ("[side.left]\nsensor = 0\n", "sensor = 0: use 1 to 16"),
    ] {
        let error = refused(&format!("{GOOD}{wrong}"));
        assert!(error.contains(why), "{error}");
    }
}
