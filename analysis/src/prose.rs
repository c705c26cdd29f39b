//! Running text in which numbers carry their ids: plain on the terminal, marked up on the page.

use std::fmt;

/// How many, and of what: `1 subject`, `2 subjects`.
pub fn counted(count: usize, what: &str) -> String {
    format!("{count} {what}{}", if count == 1 { "" } else { "s" })
}

/// A p as it is printed everywhere: never as zero.
pub fn p_value(p: Option<f64>) -> String {
    match p {
        None => "–".to_owned(),
        Some(p) if p < 0.001 => "< 0.001".to_owned(),
        Some(p) => format!("{p:.3}"),
    }
}

/// Words and numbers in their order.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct Prose(pub(crate) Vec<Piece>);

/// A piece of it.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Piece {
    Words(String),
    /// A number as it is shown; its field at first, its whole id after [`Prose::with_ids`].
    Number {
        shown: String,
        id: String,
    },
    /// A number that stands elsewhere on the page under this id.
    Again {
        shown: String,
        id: String,
    },
}

impl From<String> for Prose {
    fn from(words: String) -> Prose {
        Prose(vec![Piece::Words(words)])
    }
}

impl From<&str> for Prose {
    fn from(words: &str) -> Prose {
        words.to_owned().into()
    }
}

impl Prose {
    /// Words after it.
    #[must_use]
    pub fn words(mut self, words: &str) -> Prose {
        self.0.push(Piece::Words(words.to_owned()));
        self
    }

    /// A number after it.
    #[must_use]
    pub fn number(mut self, shown: String, id: &str) -> Prose {
        self.0.push(Piece::Number { shown, id: id.to_owned() });
        self
    }

    /// A number after it that the page has elsewhere.
    #[must_use]
    pub fn again(mut self, shown: String, id: &str) -> Prose {
        self.0.push(Piece::Again { shown, id: id.to_owned() });
        self
    }

    /// The ends of an interval after it.
    #[must_use]
    pub fn interval(self, ends: (Option<f64>, Option<f64>), digits: usize, ids: (&str, &str)) -> Prose {
        match ends {
            (Some(low), Some(high)) => self
                .number(format!("{low:.digits$}"), ids.0)
                .words(" to ")
                .number(format!("{high:.digits$}"), ids.1),
            _ => self.words("–"),
        }
    }

    /// More of it after it.
    #[must_use]
    pub fn then(mut self, more: Prose) -> Prose {
        self.0.extend(more.0);
        self
    }

    /// All of these, with words between them.
    pub fn joined(all: impl IntoIterator<Item = Prose>, between: &str) -> Prose {
        let mut joined = Prose::default();
        for (at, prose) in all.into_iter().enumerate() {
            joined = if at > 0 { joined.words(between) } else { joined }.then(prose);
        }
        joined
    }

    /// With whole ids in place of its numbers' fields.
    #[must_use]
    pub fn with_ids(mut self, whole: impl Fn(&str) -> String) -> Prose {
        for piece in &mut self.0 {
            if let Piece::Number { id, .. } | Piece::Again { id, .. } = piece {
                *id = whole(id);
            }
        }
        self
    }

    /// With all its numbers standing elsewhere on the page.
    #[must_use]
    pub fn elsewhere(mut self) -> Prose {
        for piece in &mut self.0 {
            if let Piece::Number { shown, id } = piece {
                *piece = Piece::Again { shown: std::mem::take(shown), id: std::mem::take(id) };
            }
        }
        self
    }

    /// The number of this id, as it is shown.
    pub fn shown(&self, wanted: &str) -> Option<&str> {
        self.0.iter().find_map(|piece| match piece {
            Piece::Number { shown, id } if id == wanted => Some(shown.as_str()),
            _ => None,
        })
    }
}

impl fmt::Display for Prose {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|piece| match piece {
            Piece::Words(words) | Piece::Number { shown: words, .. } | Piece::Again { shown: words, .. } => {
                f.write_str(words)
            }
        })
    }
}
