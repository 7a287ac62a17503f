//! The printed order: A4, ink on white, one line of the order after another.
//!
//! The font is taken along whole, so that whatever a part is called can be printed; a page holds only
//! the letters that it uses. Rejected: the fonts that every reader has, which know western European
//! letters only.

use krilla::Document;
use krilla::geom::{PathBuilder, Point, Rect};
use krilla::metadata::Metadata;
use krilla::page::PageSettings;
use krilla::surface::Surface;
use krilla::text::{Font, TextDirection};

use super::{OrderSheet, SheetLine};
use crate::error::ExchangeError;

static FONT: &[u8] = include_bytes!("../../fonts/DejaVuSans.ttf");

/// A4 in points.
const WIDTH: f32 = 595.28;
const HEIGHT: f32 = 841.89;
const LEFT: f32 = 42.0;
const RIGHT: f32 = WIDTH - 42.0;
const TOP: f32 = 56.0;
const BOTTOM: f32 = HEIGHT - 56.0;
const TEXT: f32 = 9.0;
const HEADING: f32 = 17.0;
const LEADING: f32 = 12.5;
/// Widths of this font's digits, and of its point, comma and space, in ems.
const DIGIT: f32 = 0.636_2;
const POINT: f32 = 0.317_9;
/// Letters of a name on one line.
const NAME_LETTERS: usize = 34;
const NOTE_LETTERS: usize = 100;
/// Where columns begin, and for numbers end.
const AT_SUPPLIER: f32 = LEFT + 24.0;
const AT_OURS: f32 = LEFT + 106.0;
const AT_NAME: f32 = LEFT + 188.0;
const END_QUANTITY: f32 = RIGHT - 118.0;
const END_PRICE: f32 = RIGHT - 62.0;

pub fn print(sheet: &OrderSheet) -> Result<Vec<u8>, ExchangeError> {
    let failed = |cause: &str| ExchangeError::Printed { cause: cause.to_owned() };
    let font = Font::new(FONT.into(), 0).ok_or_else(|| failed("the font can't be read"))?;
    let settings = PageSettings::from_wh(WIDTH, HEIGHT).ok_or_else(|| failed("no such page"))?;
    let laid_out = lay_out(sheet);
    let mut document = Document::new();
    document.set_metadata(
        Metadata::new().title(format!("Order {}", sheet.number)).authors(vec![sheet.buyer.clone()]),
    );
    for (place, pieces) in laid_out.iter().enumerate() {
        let mut page = document.start_page_with(settings.clone());
        let mut surface = page.surface();
        for piece in pieces {
            piece.draw(&mut surface, &font);
        }
        let foot = format!("Order {}, page {} of {}", sheet.number, place + 1, laid_out.len());
        Piece::text(LEFT, HEIGHT - 30.0, TEXT, foot).draw(&mut surface, &font);
        surface.finish();
        page.finish();
    }
    document.finish().map_err(|cause| failed(&format!("{cause:?}")))
}

/// Something on a page.
pub(super) enum Piece {
    Text { x: f32, y: f32, size: f32, text: String },
    Rule { y: f32 },
}

impl Piece {
    const fn text(x: f32, y: f32, size: f32, text: String) -> Self {
        Self::Text { x, y, size, text }
    }

    /// A number that ends at `x`.
    fn number(x: f32, y: f32, text: String) -> Self {
        let ems: f32 =
            text.chars().map(|letter| if letter.is_ascii_digit() { DIGIT } else { POINT }).sum();
        Self::text(x - ems * TEXT, y, TEXT, text)
    }

    fn draw(&self, surface: &mut Surface<'_>, font: &Font) {
        match self {
            Self::Text { x, y, size, text } => {
                let at = Point::from_xy(*x, *y);
                surface.draw_text(at, font.clone(), *size, text, false, TextDirection::Auto);
            }
            Self::Rule { y } => {
                let mut path = PathBuilder::new();
                if let Some(line) = Rect::from_xywh(LEFT, *y, RIGHT - LEFT, 0.6) {
                    path.push_rect(line);
                }
                if let Some(path) = path.finish() {
                    surface.draw_path(&path);
                }
            }
        }
    }
}

/// Pages while they are filled.
struct Pages {
    pages: Vec<Vec<Piece>>,
    y: f32,
}

impl Pages {
    fn put(&mut self, piece: Piece) {
        if let Some(page) = self.pages.last_mut() {
            page.push(piece);
        }
    }

    fn line(&mut self, x: f32, text: String) {
        self.put(Piece::text(x, self.y, TEXT, text));
        self.y += LEADING;
    }

    /// A new page where `height` does not fit any more, with the columns' names on top.
    fn room_for(&mut self, height: f32) {
        if self.y + height > BOTTOM {
            self.pages.push(Vec::new());
            self.y = TOP;
            self.columns();
        }
    }

    fn columns(&mut self) {
        let names = [
            (LEFT, "Line"),
            (AT_SUPPLIER, "Your number"),
            (AT_OURS, "Our number"),
            (AT_NAME, "Part"),
            (END_QUANTITY - 44.0, "Quantity"),
            (END_PRICE - 24.0, "Price"),
            (RIGHT - 26.0, "Total"),
        ];
        for (x, name) in names {
            self.put(Piece::text(x, self.y, TEXT, name.to_owned()));
        }
        self.y += 4.0;
        self.put(Piece::Rule { y: self.y });
        self.y += LEADING;
    }
}

/// What stands on each page.
pub(super) fn lay_out(sheet: &OrderSheet) -> Vec<Vec<Piece>> {
    let mut pages = Pages { pages: vec![Vec::new()], y: TOP };
    pages.put(Piece::text(LEFT, TOP, HEADING, format!("Order {}", sheet.number)));
    pages.y += 26.0;
    let day = |day: Option<chrono::NaiveDate>| day.map(|day| day.format("%-d %B %Y").to_string());
    let ordered = day(sheet.ordered_on).unwrap_or_else(|| "not sent yet".to_owned());
    let mut head = vec![
        format!("To: {}", sheet.supplier),
        format!("From: {}", sheet.buyer),
        format!("Deliver to: {}", sheet.deliver_to),
        format!("Ordered: {ordered}"),
    ];
    head.extend(day(sheet.wanted_by).map(|by| format!("Expected: {by}")));
    head.push(format!("All amounts in {}.", sheet.currency));
    for line in head {
        pages.line(LEFT, line);
    }
    for line in sheet.note.iter().flat_map(|note| wrap(note, NOTE_LETTERS)) {
        pages.line(LEFT, line);
    }
    pages.y += LEADING;
    pages.columns();
    for (place, line) in sheet.lines.iter().enumerate() {
        put_line(&mut pages, sheet, place + 1, line);
    }
    pages.room_for(2.0 * LEADING);
    let (y, total) = (pages.y, sheet.amount(sheet.total_minor()));
    pages.put(Piece::text(LEFT, y, TEXT, "Together, without freight and tax".to_owned()));
    pages.put(Piece::number(RIGHT, y, total));
    pages.pages
}

fn put_line(pages: &mut Pages, sheet: &OrderSheet, place: usize, line: &SheetLine) {
    let mut name = wrap(&line.name, NAME_LETTERS);
    match line.packs() {
        Some(packs) if line.pack > 1 => {
            name.push(format!("{packs} × pack of {} {}", line.pack, line.unit));
        }
        _ => {}
    }
    if line.price_units > 1 {
        name.push(format!("price for {} {}", line.price_units, line.unit));
    }
    name.extend(line.note.iter().flat_map(|note| wrap(note, NAME_LETTERS)));
    pages.room_for(LEADING * name.len() as f32 + 6.0);
    let y = pages.y;
    pages.put(Piece::text(LEFT, y, TEXT, place.to_string()));
    let numbers = [(AT_SUPPLIER, line.supplier_number.as_deref()), (AT_OURS, Some(&*line.number))];
    for (x, number) in numbers {
        let number: String = number.unwrap_or("–").chars().take(14).collect();
        pages.put(Piece::text(x, y, TEXT, number));
    }
    pages.put(Piece::number(END_QUANTITY, y, line.quantity.to_string()));
    pages.put(Piece::number(END_PRICE, y, sheet.amount(line.price_minor)));
    pages.put(Piece::number(RIGHT, y, sheet.amount(line.total_minor)));
    for text in name {
        pages.line(AT_NAME, text);
    }
    pages.put(Piece::Rule { y: pages.y - LEADING + 4.0 });
    pages.y += 4.0;
}

/// Breaks a text between words, and within a word that is longer than a line.
fn wrap(text: &str, letters: usize) -> Vec<String> {
    let mut lines: Vec<String> = vec![String::new()];
    for word in text.split_whitespace() {
        let word: Vec<char> = word.chars().collect();
        for piece in word.chunks(letters) {
            let piece: String = piece.iter().collect();
            let last = lines.last_mut().map_or(0, |line| line.chars().count());
            let fits = last + usize::from(last > 0) + piece.chars().count() <= letters;
            match lines.last_mut().filter(|_| fits) {
                Some(line) => {
                    if last > 0 {
                        line.push(' ');
                    }
                    line.push_str(&piece);
                }
                None => lines.push(piece),
            }
        }
    }
    lines
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn long_names_are_broken_and_nothing_is_lost() {
        assert_eq!(wrap("a seal kit for the shaft", 10), ["a seal kit", "for the", "shaft"]);
        assert_eq!(wrap("ABCDEFGHIJKLM", 5), ["ABCDE", "FGHIJ", "KLM"]);
        assert_eq!(wrap("", 5), [""]);
    }
}
