//! The sheet that a picture is drawn on.

use std::fmt::Write;

/// How sure the thing is that a shape stands for. Colour never speaks alone.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Fill {
    /// Certain or planned: filled.
    Certain,
    /// Probable: hatched, and nothing else is ever hatched.
    Probable,
    /// Possible: outlined.
    Possible,
    /// What has been: soft.
    Past,
    /// A paler fill: demand, or a second skill.
    Pale,
    /// A shortage: an outline in the colour of stop.
    Short,
    /// Beyond a limit: filled in the colour of stop.
    Over,
}

impl Fill {
    const fn attributes(self) -> &'static str {
        match self {
            Self::Certain => r#"class="f-certain""#,
            Self::Probable => r##"class="f-probable" fill="url(#hatch)""##,
            Self::Possible => r#"class="f-possible""#,
            Self::Past => r#"class="f-past""#,
            Self::Pale => r#"class="f-pale""#,
            Self::Short => r#"class="f-short""#,
            Self::Over => r#"class="f-over""#,
        }
    }
}

/// Which point of a text stands at its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Anchor {
    Start,
    Middle,
    End,
}

/// A sheet of `width` × `height` units, 1 unit = 1 px where the picture is shown at its own size.
#[derive(Clone, Debug)]
pub struct Sheet {
    width: f64,
    height: f64,
    body: String,
}

// Writing to a `String` cannot fail, which is why results of `write!` are dropped here.
impl Sheet {
    pub fn new(width: f64, height: f64) -> Self {
        Self { width, height, body: String::new() }
    }

    /// A column from `bottom` up to `top`; nothing where it would have no height.
    pub fn column(&mut self, left: f64, width: f64, (top, bottom): (f64, f64), fill: Fill) {
        if bottom - top > 0.05 && width > 0.0 {
            let (height, look) = (bottom - top, fill.attributes());
            let _ = write!(
                self.body,
                r#"<rect x="{left:.1}" y="{top:.1}" width="{width:.1}" height="{height:.1}" {look}/>"#,
            );
        }
    }

    /// A straight line of the stylesheet's class `class`.
    pub fn line(&mut self, (x1, y1): (f64, f64), (x2, y2): (f64, f64), class: &str) {
        let _ = write!(
            self.body,
            r#"<line x1="{x1:.1}" y1="{y1:.1}" x2="{x2:.1}" y2="{y2:.1}" class="{class}"/>"#,
        );
    }

    /// A line through `points`.
    pub fn path(&mut self, points: &[(f64, f64)], class: &str) {
        if points.len() > 1 {
            let _ = write!(self.body, r#"<path d="{}" class="{class}"/>"#, through(points));
        }
    }

    /// A stepped line: the level of each `(left, right, y)` held over its width.
    pub fn steps(&mut self, levels: &[(f64, f64, f64)], class: &str) {
        let points: Vec<_> = levels.iter().flat_map(|&(l, r, y)| [(l, y), (r, y)]).collect();
        self.path(&points, class);
    }

    /// The area between `lower` and `upper`, both from left to right.
    pub fn band(&mut self, lower: &[(f64, f64)], upper: &[(f64, f64)], class: &str) {
        if lower.len() > 1 && upper.len() > 1 {
            let around: Vec<_> = lower.iter().chain(upper.iter().rev()).copied().collect();
            let _ = write!(self.body, r#"<path d="{}Z" class="{class}"/>"#, through(&around));
        }
    }

    /// A limit: a bar across `left..right` at `y`.
    pub fn limit(&mut self, (left, right): (f64, f64), y: f64) {
        self.line((left, y), (right, y), "limit");
    }

    /// A point that something happened at.
    pub fn mark(&mut self, (x, y): (f64, f64), class: &str) {
        let _ = write!(self.body, r#"<circle cx="{x:.1}" cy="{y:.1}" r="4" class="{class}"/>"#);
    }

    /// The same as [`Self::mark`], square.
    pub fn square_mark(&mut self, (x, y): (f64, f64), class: &str) {
        let (left, top) = (x - 4.5, y - 4.5);
        let _ = write!(
            self.body,
            r#"<rect x="{left:.1}" y="{top:.1}" width="9" height="9" class="{class}"/>"#,
        );
    }

    /// A text; `class` is `ink` for what is to be noticed, empty for the rest.
    pub fn text(&mut self, (x, y): (f64, f64), anchor: Anchor, class: &str, text: &str) {
        let anchor = match anchor {
            Anchor::Start => "start",
            Anchor::Middle => "middle",
            Anchor::End => "end",
        };
        let _ = write!(
            self.body,
            r#"<text x="{x:.1}" y="{y:.1}" text-anchor="{anchor}" class="{class}">{}</text>"#,
            escape(text)
        );
    }

    /// A label that stays on the sheet: it turns to the left of its place where the right is near.
    pub fn label(&mut self, (x, y): (f64, f64), text: &str) {
        let reach = text.chars().count() as f64 * 7.6;
        let fits = x + reach < self.width;
        let anchor = if fits { Anchor::Start } else { Anchor::End };
        self.text(
            (if fits { x } else { x.max(reach.min(self.width - 4.0)) }, y),
            anchor,
            "ink",
            text,
        );
    }

    pub(crate) fn into_parts(self) -> (f64, f64, String) {
        (self.width, self.height, self.body)
    }

    /// The finished drawing. `id` must be unique on its page: it ties title and description to it.
    pub fn finish(self, id: &str, title: &str, description: &str) -> String {
        let Self { width, height, body } = self;
        format!(
            concat!(
                r#"<svg viewBox="0 0 {} {}" role="img" aria-labelledby="{id}-t {id}-d">"#,
                r#"<title id="{id}-t">{}</title><desc id="{id}-d">{}</desc>{}</svg>"#
            ),
            width,
            height,
            escape(title),
            escape(description),
            body,
            id = id,
        )
    }
}

fn through(points: &[(f64, f64)]) -> String {
    let mut path = String::with_capacity(points.len() * 12);
    for (i, (x, y)) in points.iter().enumerate() {
        let _ = write!(path, "{}{x:.1} {y:.1}", if i == 0 { 'M' } else { 'L' });
    }
    path
}

/// Text that may stand in SVG between tags or in an attribute.
pub(crate) fn escape(text: &str) -> String {
    let mut safe = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => safe.push_str("&amp;"),
            '<' => safe.push_str("&lt;"),
            '>' => safe.push_str("&gt;"),
            '"' => safe.push_str("&quot;"),
            '\'' => safe.push_str("&#39;"),
            c if c.is_control() => safe.push(' '),
            c => safe.push(c),
        }
    }
    safe
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_name_cannot_leave_its_text() {
        let mut sheet = Sheet::new(10.0, 10.0);
        sheet.text((0.0, 0.0), Anchor::Start, "ink", "<script>\"&'");
        let drawn = sheet.finish("x", "<b>", "a\u{0}b");
        assert!(drawn.contains("&lt;script&gt;&quot;&amp;&#39;"));
        assert!(drawn.contains("<title id=\"x-t\">&lt;b&gt;</title>"));
        assert!(!drawn.contains('\u{0}'));
    }

    #[test]
    fn a_label_near_the_right_edge_turns_left() {
        let mut sheet = Sheet::new(100.0, 10.0);
        sheet.label((90.0, 5.0), "2 short");
        assert!(sheet.finish("x", "", "").contains("text-anchor=\"end\""));
    }

    #[test]
    fn only_what_is_probable_is_hatched() {
        let hatched = |fill: Fill| fill.attributes().contains("hatch");
        let rest = [Fill::Certain, Fill::Possible, Fill::Past, Fill::Pale, Fill::Short, Fill::Over];
        assert!(hatched(Fill::Probable) && !rest.into_iter().any(hatched));
    }
}
