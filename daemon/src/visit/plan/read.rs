//! TOML to a plan: the long form is laid out into items, each value with its place in the text.

use super::{Plan, PlanError};
use analysis::trial::{Side, Test};
use serde::Deserialize;
use std::borrow::Cow;
use std::ops::Range;
use toml::Spanned;
use toml::de::{DeTable, DeValue};

/// Keys of the long form, which are used up when it is laid out.
const SIDES: &str = "sides";
const TESTS: &str = "tests";
const TEST: &str = "test";
const DEFAULTS: &str = "defaults";
const SIDE: &str = "side";
const MUSCLE: &str = "muscle";
const ITEM: &str = "item";

/// A table of the text.
pub(super) type Table<'i> = DeTable<'i>;

/// Reads and checks a plan.
pub(super) fn plan(text: &str) -> Result<Plan, PlanError> {
    let document = DeTable::parse(text).map_err(|error| PlanError::of_toml(text, &error))?;
    let span = document.span();
    let mut root = document.into_inner();
    let items = Layout { text, of_sides: Table::new(), used: Vec::new() }.lay_out(&mut root)?;
    let places = items.clone();
    let items = items.into_iter().map(|(span, item)| Spanned::new(span, DeValue::Table(item)));
    root.insert(
        Spanned::new(span.clone(), Cow::Borrowed(ITEM)),
        Spanned::new(span.clone(), DeValue::Array(items.collect())),
    );
    let whole = toml::de::Deserializer::from(Spanned::new(span, root));
    let plan = Plan::deserialize(whole).map_err(|error| PlanError::of_toml(text, &error))?;
    match super::check::objection(&plan) {
        None => Ok(plan),
        Some(objection) => {
            let place = objection.item.and_then(|item| places.get(item));
            let own = place.and_then(|(_, item)| {
                objection.keys.iter().find_map(|key| item.get(*key)).map(Spanned::span)
            });
            let span = own.or_else(|| place.map(|(span, _)| span.clone()));
            Err(PlanError::at(text, span, objection.why))
        }
    }
}

struct Layout<'t, 'i> {
    text: &'t str,
    of_sides: Table<'i>,
    used: Vec<Test>,
}

type Placed<'i> = (Range<usize>, Table<'i>);

impl<'i> Layout<'_, 'i> {
    fn refuse<T>(&self, span: Range<usize>, why: impl Into<String>) -> Result<T, PlanError> {
        Err(PlanError::at(self.text, Some(span), why))
    }

    fn lay_out(mut self, root: &mut Table<'i>) -> Result<Vec<Placed<'i>>, PlanError> {
        let defaults = self.table(root.remove(DEFAULTS))?;
        let of_tests = self.table(root.remove(TEST))?;
        self.of_sides = self.table(root.remove(SIDE))?;
        if let Some((key, _)) = self.of_sides.iter().find(|(key, _)| key.get_ref().parse::<Side>().is_err()) {
            return self.refuse(key.span(), format!("no side `{}`: write left or right", key.get_ref()));
        }
        let names = root.remove(TESTS);
        let sides = self.sides(root.remove(SIDES))?;
        let muscles = self.tables(root.remove(MUSCLE), "[[muscle]]")?;
        let mut items = Vec::new();
        for side in &sides {
            for (span, muscle) in &muscles {
                self.muscle(*side, span, muscle, names.as_ref(), &defaults, &of_tests, &mut items)?;
            }
        }
        for (span, item) in self.tables(root.remove(ITEM), "[[item]]")? {
            let item = self.overlay(&defaults, &of_tests, item);
            items.push((span, item));
        }
        for (key, _) in &of_tests {
            let known = key.get_ref().parse::<Test>().is_ok_and(|test| self.used.contains(&test));
            if !known {
                let why = format!("no item of the plan has the test `{}`", key.get_ref());
                return self.refuse(key.span(), why);
            }
        }
        Ok(items)
    }

    #[allow(clippy::too_many_arguments, reason = "one muscle's place in the plan")]
    fn muscle(
        &mut self,
        side: Side,
        span: &Range<usize>,
        muscle: &Table<'i>,
        names: Option<&Spanned<DeValue<'i>>>,
        defaults: &Table<'i>,
        of_tests: &Table<'i>,
        items: &mut Vec<Placed<'i>>,
    ) -> Result<(), PlanError> {
        let mut muscle = muscle.clone();
        let own = muscle.remove(TESTS);
        let own_of_tests = self.table(muscle.remove(TEST))?;
        let Some(names) = own.as_ref().or(names) else {
            return self
                .refuse(span.clone(), "a [[muscle]] needs tests: `tests = [\"make\", …]` in it or above it");
        };
        let Some(tests) = names.get_ref().as_array() else {
            return self.refuse(names.span(), "`tests` takes a list of tests");
        };
        if let Some(key) = muscle.get(MUSCLE)
            && let Some(digit) = key.get_ref().as_str()
        {
            let whole = Spanned::new(key.span(), DeValue::String(format!("{side} {digit}").into()));
            muscle.insert(Spanned::new(key.span(), Cow::Borrowed(MUSCLE)), whole);
        }
        let named = |key: &str| tests.iter().any(|test| test.get_ref().as_str() == Some(key));
        if let Some((key, _)) = own_of_tests.iter().find(|(key, _)| !named(key.get_ref())) {
            return self.refuse(key.span(), format!("this muscle has no test `{}`", key.get_ref()));
        }
        for test in tests.iter() {
            let mut item = muscle.clone();
            let of_test = test.get_ref().as_str().and_then(|test| own_of_tests.get(test));
            if let Some(of_test) = of_test.and_then(|it| it.get_ref().as_table()) {
                put_over(&mut item, of_test.clone());
            }
            item.insert(Spanned::new(test.span(), Cow::Borrowed(TEST)), test.clone());
            let item = self.overlay(defaults, of_tests, item);
            items.push((span.clone(), item));
        }
        Ok(())
    }

    /// The keys of the most special place that has them.
    fn overlay(&mut self, defaults: &Table<'i>, of_tests: &Table<'i>, item: Table<'i>) -> Table<'i> {
        let mut whole = defaults.clone();
        let test = item.get(TEST).and_then(|test| test.get_ref().as_str());
        self.used.extend(test.and_then(|test| test.parse::<Test>().ok()));
        if let Some(of_test) = test.and_then(|test| of_tests.get(test)).and_then(|it| it.get_ref().as_table())
        {
            put_over(&mut whole, of_test.clone());
        }
        let side = item.get(MUSCLE).and_then(|muscle| muscle.get_ref().as_str()?.split_whitespace().next());
        if let Some(of_side) =
            side.and_then(|side| self.of_sides.get(side)).and_then(|it| it.get_ref().as_table())
        {
            put_over(&mut whole, of_side.clone());
        }
        put_over(&mut whole, item);
        whole
    }

    fn table(&self, value: Option<Spanned<DeValue<'i>>>) -> Result<Table<'i>, PlanError> {
        let Some(value) = value else { return Ok(Table::new()) };
        let span = value.span();
        match value.into_inner() {
            DeValue::Table(table) => Ok(table),
            _ => self.refuse(span, "must be a table of keys"),
        }
    }

    fn tables(&self, value: Option<Spanned<DeValue<'i>>>, name: &str) -> Result<Vec<Placed<'i>>, PlanError> {
        let Some(value) = value else { return Ok(Vec::new()) };
        let span = value.span();
        let DeValue::Array(list) = value.into_inner() else {
            return self.refuse(span, format!("write {name}, with two brackets"));
        };
        let table = |value: Spanned<DeValue<'i>>| {
            let span = value.span();
            match value.into_inner() {
                DeValue::Table(table) => Ok((span, table)),
                _ => self.refuse(span, format!("write {name}, with two brackets")),
            }
        };
        list.into_iter().map(table).collect()
    }

    fn sides(&self, value: Option<Spanned<DeValue<'i>>>) -> Result<Vec<Side>, PlanError> {
        let Some(value) = value else { return Ok(vec![Side::Right, Side::Left]) };
        let list = value.get_ref().as_array().map(|list| list.iter().collect::<Vec<_>>());
        let Some(list) = list.filter(|list| !list.is_empty()) else {
            return self.refuse(value.span(), "`sides` takes a list: [\"left\", \"right\"]");
        };
        let side = |value: &Spanned<DeValue<'i>>| {
            let word = value.get_ref().as_str().unwrap_or_default();
            word.parse::<Side>().or_else(|error| self.refuse(value.span(), error.to_string()))
        };
        list.into_iter().map(side).collect()
    }
}

/// Later keys replace earlier ones with their places.
fn put_over<'i>(below: &mut Table<'i>, above: Table<'i>) {
    for (key, value) in above {
        below.remove(key.get_ref().as_ref());
        below.insert(key, value);
    }
}
