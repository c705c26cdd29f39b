//! Plans that come with the program. Their texts are written from textbook knowledge and need a therapist's check against
//! local practice; each says so in its `note`.

/// Name and text of every built-in plan.
pub const ALL: &[(&str, &str)] = &[
    ("interossei", include_str!("../../../plans/interossei.toml")),
    ("interossei-clinic", include_str!("../../../plans/interossei-clinic.toml")),
    ("lab-make", include_str!("../../../plans/lab-make.toml")),
    ("lab-submaximal", include_str!("../../../plans/lab-submaximal.toml")),
];

/// The text of a built-in plan.
pub fn text(name: &str) -> Option<&'static str> {
    ALL.iter().find(|(known, _)| *known == name).map(|(_, text)| *text)
}

/// Their names, for people.
pub fn names() -> String {
    ALL.iter().map(|(name, _)| *name).collect::<Vec<_>>().join(", ")
}

#[cfg(test)]
mod tests;
