//! Numbers of the reliability data, led back to those of its visits that are among the recordings.
use super::{Field, Number, NumberError, origin, used};
use crate::recording::read::Recording;
use crate::statistics::sem::Estimate;
use crate::study::comparison::Basis;
use crate::study::reliability::{Reliability, of_ratios};
use crate::study::visit::Visit;

/// Of an analysis of reliability; "" is the unit of its values. Of an estimate `NAME_low` and `NAME_high` are the ends of its
/// 95 % interval.
const FIELDS: [Field; 27] = [
    ("subjects", "1", "participants with every value"),
    ("occasions", "1", "occasions or raters"),
    ("mean", "", "mean of all values"),
    (
        "icc",
        "1",
        "ICC(2,1) = ICC(A,1) of a two-way analysis of variance without replication (Shrout & Fleiss 1979, McGraw & Wong 1996)",
    ),
    ("icc_1_1", "1", "ICC(1,1) = ICC(1): each subject by raters or occasions of its own"),
    ("icc_3_1", "1", "ICC(3,1) = ICC(C,1): consistency, these occasions only"),
    ("icc_1_k", "1", "ICC(1,k) = ICC(k): the same as icc_1_1, of the mean of the values"),
    ("icc_2_k", "1", "ICC(2,k) = ICC(A,k): the same as icc, of the mean of the values"),
    ("icc_3_k", "1", "ICC(3,k) = ICC(C,k): the same as icc_3_1, of the mean of the values"),
    (
        "sem",
        "",
        "√((MS occasions − MS error) / n + MS error), agreement; √MS error where that is greater; interval by chi-squared",
    ),
    ("mdc90", "", "z·√2·SEM (agreement) with z of 90 %; its interval is that of the SEM"),
    ("mdc95", "", "z·√2·SEM (agreement) with z of 95 %; its interval is that of the SEM"),
    ("sem_consistency", "", "√MS error; interval by chi-squared"),
    ("mdc95_consistency", "", "z·√2·SEM (consistency) with z of 95 %; its interval is that of the SEM"),
    ("sem_of_ratios", "%", OF_RATIOS),
    ("mdc95_of_ratios", "%", OF_RATIOS),
    ("bias", "", "mean of the second occasion minus the first; interval by Student's t"),
    ("lower", "", "lower limit of agreement, bias − z·SD of the differences (Bland & Altman 1986)"),
    ("upper", "", "upper limit of agreement, bias + z·SD of the differences"),
    ("cv_within", "%", "CV within subjects"),
    ("planned_width", "1", "width of the ICC's 95 % interval that a next study is planned for"),
    ("planned_icc", "1", "ICC(3,1), by which it is planned, rounded to four digits"),
    ("planned_participants", "1", "participants for that width on average (Bonett 2002)"),
    ("planned_icc_low", "1", "lower end of the 95 % interval of ICC(3,1), rounded to four digits"),
    (
        "planned_participants_low",
        "1",
        "participants for that width were the ICC no higher than that (Bonett 2002)",
    ),
    ("mdc95_of_ratios_down", "%", OF_RATIOS),
    ("planned_repeats", "1", "values of each participant"),
];

const OF_RATIOS: &str = "100·(exp(x) − 1) of the SEM (agreement) of the logarithms, or of ± its MDC95 and the ends of that interval";

/// A number of the reliability data, led back to those of its visits that are among the recordings.
pub(super) fn find(read: &[(Recording, Visit)], basis: &Basis, id: &str) -> Result<Number, NumberError> {
    let shown = || id.chars().take(80).collect();
    let Basis::Own(document) = basis else { return Err(NumberError::NoData(shown())) };
    let unknown = || NumberError::Unknown(shown());
    let (place, field) = id.split_once('.').ok_or_else(unknown)?;
    let number: usize =
        place.strip_prefix("reliability-").and_then(|n| n.parse().ok()).ok_or_else(unknown)?;
    let of = number.checked_sub(1).and_then(|at| document.analyses.get(at)).ok_or_else(unknown)?;
    let known = |wanted: &str| FIELDS.iter().find(|(known, ..)| *known == wanted);
    let (_, unit, formula) = known(field).or_else(|| known(name(field))).ok_or_else(unknown)?;
    let behind: Vec<&String> = of.visits.iter().flatten().collect();
    let ours = || read.iter().filter(|(_, visit)| behind.contains(&&visit.visit_id));
    let mut origins = Vec::new();
    for (recording, visit) in ours() {
        let rows = recording.trials()?;
        let item =
            visit.items.iter().find(|item| format!("{}, {}", item.item.muscle, item.item.test) == of.name);
        let orders = item.map(|item| used(&item.item)).unwrap_or_default();
        origins.extend(orders.iter().filter_map(|order| origin(recording, &rows, *order)));
    }
    let found = ours().count();
    Ok(Number {
        id: id.to_owned(),
        value: value(of, field),
        unit: if unit.is_empty() { of.unit.clone() } else { (*unit).to_owned() },
        formula: format!(
            "{formula}; {}, {} × {} ({}); {found} of the {} visits behind it are among the recordings given",
            of.name,
            of.subjects,
            of.k,
            of.occasions.join(", "),
            behind.len()
        ),
        software: document.software.clone(),
        files: ours().map(|(_, visit)| visit.file.display().to_string()).collect(),
        origins,
    })
}

/// Every field, with the ends of the estimates' intervals.
pub(super) fn names() -> Vec<String> {
    let estimates = FIELDS.iter().skip_while(|(name, ..)| *name != "icc");
    let estimates = estimates.take_while(|(name, ..)| *name != "planned_width");
    let ends = estimates.flat_map(|(name, ..)| [format!("{name}_low"), format!("{name}_high")]);
    FIELDS.iter().map(|(name, ..)| (*name).to_owned()).chain(ends).collect()
}

/// The field without the end of the interval that it names.
fn name(field: &str) -> &str {
    field.strip_suffix("_low").or_else(|| field.strip_suffix("_high")).unwrap_or(field)
}

fn value(of: &Reliability, field: &str) -> Option<f64> {
    let planned = of.planned.first();
    let count = match field {
        "subjects" => Some(of.subjects as f64),
        "occasions" => Some(of.k as f64),
        "mean" => Some(of.mean),
        "planned_width" => planned.map(|of| of.width),
        "planned_icc" => planned.map(|of| of.icc),
        "planned_participants" => planned.map(|of| of.participants as f64),
        "planned_repeats" => planned.map(|of| of.repeats as f64),
        "planned_icc_low" => planned.and_then(|of| of.icc_low),
        "planned_participants_low" => planned.and_then(|of| of.participants_low).map(|n| n as f64),
        "mdc95_of_ratios_down" => of.agreement_of_logs.map(|of| of_ratios(&of.mdc95.times(-1.0)).value),
        _ => None,
    };
    count.or_else(|| {
        let estimate = estimate(of, name(field))?;
        match field.rsplit('_').next() {
            Some("low") => estimate.low,
            Some("high") => estimate.high,
            _ => Some(estimate.value),
        }
    })
}

fn estimate(of: &Reliability, name: &str) -> Option<Estimate> {
    let icc = |form: usize| {
        of.icc.get(form).map(|form| Estimate { value: form.icc, low: form.low, high: form.high })
    };
    let limits = of.pairs.first().map(|pair| pair.of.limits);
    match name {
        // In the order of [`crate::statistics::icc::forms`].
        "icc_1_1" => icc(0),
        "icc" => icc(1),
        "icc_3_1" => icc(2),
        "icc_1_k" => icc(3),
        "icc_2_k" => icc(4),
        "icc_3_k" => icc(5),
        "sem" => of.agreement.map(|sem| sem.sem),
        "mdc90" => of.agreement.map(|sem| sem.mdc90),
        "mdc95" => of.agreement.map(|sem| sem.mdc95),
        "sem_consistency" => of.consistency.map(|sem| sem.sem),
        "mdc95_consistency" => of.consistency.map(|sem| sem.mdc95),
        "sem_of_ratios" => of.agreement_of_logs.map(|of| of_ratios(&of.sem)),
        "mdc95_of_ratios" => of.agreement_of_logs.map(|of| of_ratios(&of.mdc95)),
        "bias" => limits.map(|limits| limits.bias),
        "lower" => limits.map(|limits| limits.lower),
        "upper" => limits.map(|limits| limits.upper),
        "cv_within" => of.cv_within_percent,
        _ => None,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::study::reliability;
    use crate::study::table::Table;

    #[test]
    fn every_field_has_its_number_and_each_form_its_own() {
        let table = b"id,a,b\nP1,10,11\nP2,20,18\nP3,30,32\nP4,25,25.5\n";
        let of = reliability::of(&Table::parse(table, None, "t").unwrap(), 0.2).unwrap();
        // Nothing grows with the mean here, and of so few the ICC's interval allows no plan by its lower end.
        let unknown = |field: &&String| {
            field.contains("_of_ratios") || field.starts_with("planned_") && field.ends_with("_low")
        };
        for field in names().iter().filter(|field| !unknown(field)) {
            assert!(value(&of, field).is_some_and(f64::is_finite), "{field}");
        }
        for (field, form) in [
            ("icc_1_1", "ICC(1,1)"),
            ("icc", "ICC(2,1)"),
            ("icc_3_1", "ICC(3,1)"),
            ("icc_1_k", "ICC(1,2)"),
            ("icc_2_k", "ICC(2,2)"),
            ("icc_3_k", "ICC(3,2)"),
        ] {
            let form = of.icc.iter().find(|it| it.shrout_fleiss == form).unwrap();
            assert_eq!(value(&of, field), Some(form.icc), "{field}");
            assert_eq!(value(&of, &format!("{field}_low")), form.low, "{field}");
        }
        assert_eq!(value(&of, "nothing"), None);
    }
}
