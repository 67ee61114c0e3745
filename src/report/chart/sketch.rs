//! A drawing as a list of shapes, and the one place that knows the SVG back end.
//!
//! Shapes are kept in a list first: so text can be measured against overlaps, by the code that
//! places labels and by the tests, before anything is written.

use plotters::backend::DrawingBackend;
use plotters::backend::SVGBackend;
use plotters::style::text_anchor::{HPos, Pos, VPos};
use plotters::style::{Color as _, FontFamily, FontStyle, RGBColor, ShapeStyle, TextStyle};

use crate::report::format;

/// Coordinates of the back end are whole numbers; this many of them make one pixel.
const FINE: f64 = 10.0;
/// The back end divides the size of its type by this.
const TYPE: f64 = 1.24;

/// A colour of the palette.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Ink(u8, u8, u8);

/// The palette: Okabe and Ito's colours (2008, "Color Universal Design"), told apart under every
/// common kind of colour blindness, and greys. No chart tells things apart by colour alone.
impl Ink {
    pub(super) const TEXT: Self = Self(0x1f, 0x1f, 0x1f);
    pub(super) const QUIET: Self = Self(0x55, 0x55, 0x55);
    pub(super) const RULE: Self = Self(0xb8, 0xb8, 0xb8);
    pub(super) const GRID: Self = Self(0xe4, 0xe4, 0xe4);
    pub(super) const WASH: Self = Self(0xec, 0xec, 0xe8);
    pub(super) const BLUE: Self = Self(0x00, 0x72, 0xb2);
    pub(super) const SKY: Self = Self(0xbf, 0xdd, 0xf0);
    pub(super) const VERMILION: Self = Self(0xd5, 0x5e, 0x00);
    pub(super) const PAPER: Self = Self(0xff, 0xff, 0xff);
}

/// Where a text stands from its point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Side {
    Left,
    Middle,
    Right,
}

/// A point in pixels, y downwards.
pub(super) type Point = (f64, f64);

#[derive(Debug, Clone, PartialEq)]
enum Shape {
    Line(Vec<Point>, Ink, f64),
    Area(Vec<Point>, Ink),
    Dot(Point, f64, Ink, bool),
    Text(Words),
}

/// A text with what is needed to know its box; its middle line runs through `at`.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Words {
    pub(super) text: String,
    pub(super) at: Point,
    pub(super) from: Side,
    pub(super) size: f64,
    pub(super) ink: Ink,
    pub(super) bold: bool,
}

impl Words {
    pub(super) fn new(text: &str, at: Point, from: Side) -> Self {
        Self {
            text: format::plain(text),
            at,
            from,
            size: SIZE,
            ink: Ink::TEXT,
            bold: false,
        }
    }

    pub(super) fn quiet(mut self) -> Self {
        self.ink = Ink::QUIET;
        self
    }

    pub(super) fn inked(mut self, ink: Ink) -> Self {
        self.ink = ink;
        self
    }

    pub(super) fn bold(mut self) -> Self {
        self.bold = true;
        self
    }

    /// Left, top, right, bottom.
    pub(super) fn area(&self) -> Area {
        let width = width(&self.text, self.size) * if self.bold { 1.1 } else { 1.0 };
        let left = match self.from {
            Side::Left => self.at.0,
            Side::Middle => self.at.0 - width / 2.0,
            Side::Right => self.at.0 - width,
        };
        Area {
            left,
            top: self.at.1 - self.size * 0.6,
            right: left + width,
            bottom: self.at.1 + self.size * 0.6,
        }
    }
}

/// A box in pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Area {
    pub(super) left: f64,
    pub(super) top: f64,
    pub(super) right: f64,
    pub(super) bottom: f64,
}

impl Area {
    pub(super) fn meets(&self, other: &Self) -> bool {
        self.left < other.right
            && other.left < self.right
            && self.top < other.bottom
            && other.top < self.bottom
    }
}

/// Size of all type in charts, pixels.
pub(super) const SIZE: f64 = 12.0;

/// Width of a text in pixels: character widths of a wide common face (`DejaVu` Sans), so that what
/// fits here fits in narrower faces too.
pub(super) fn width(text: &str, size: f64) -> f64 {
    let em: f64 = text
        .chars()
        .map(|c| match c {
            'i' | 'l' | 'j' | 'I' | '.' | ',' | ':' | ';' | '!' | '\'' | '|' | ' ' => 0.34,
            'f' | 't' | 'r' | '(' | ')' | '-' | '/' => 0.41,
            'm' | 'w' | 'M' | 'W' | '%' | '@' | '…' => 1.0,
            'A'..='Z' | '−' | '<' | '>' | '=' | '+' => 0.8,
            c if c.is_ascii() => 0.64,
            c if u32::from(c) < 0x2e80 => 0.7,
            _ => 1.05,
        })
        .sum();
    em * size
}

/// The text, shortened until it fits.
pub(super) fn fitted(text: &str, room: f64) -> String {
    let plain = format::plain(text);
    if width(&plain, SIZE) <= room {
        return plain;
    }
    let mut used = width("…", SIZE);
    let mut kept = 0;
    for c in plain.chars() {
        used += width(c.encode_utf8(&mut [0; 4]), SIZE);
        if used > room {
            break;
        }
        kept += 1;
    }
    format::shortened(&plain, kept + 1)
}

/// A finished chart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Svg {
    /// Stable name for files and links (`fitted-parts`).
    pub key: String,
    /// Title for people.
    pub title: String,
    /// What the chart shows, in words, for those who cannot see it.
    pub description: String,
    /// The chart, a whole SVG document.
    pub svg: String,
}

/// A drawing in the making.
#[derive(Debug, Clone)]
pub(super) struct Sketch {
    pub(super) width: f64,
    pub(super) height: f64,
    shapes: Vec<Shape>,
}

impl Sketch {
    pub(super) fn new(width: f64, height: f64) -> Self {
        Self {
            width,
            height,
            shapes: Vec::new(),
        }
    }

    pub(super) fn line(&mut self, points: impl Into<Vec<Point>>, ink: Ink, thick: f64) {
        let points: Vec<Point> = points.into();
        if points.len() > 1 && points.iter().all(|p| p.0.is_finite() && p.1.is_finite()) {
            self.shapes.push(Shape::Line(points, ink, thick));
        }
    }

    /// A line in dashes of `on` pixels with gaps of `off`.
    pub(super) fn dashed(&mut self, points: &[Point], ink: Ink, thick: f64, on: f64, off: f64) {
        let mut drawing = true;
        let mut left = on;
        let mut dash: Vec<Point> = points.first().copied().into_iter().collect();
        for pair in points.windows(2) {
            let (mut from, to) = (pair[0], pair[1]);
            loop {
                let far = (to.0 - from.0).hypot(to.1 - from.1);
                if far <= left || !far.is_finite() {
                    left -= far;
                    dash.push(to);
                    break;
                }
                let share = left / far;
                let turn = (
                    from.0 + (to.0 - from.0) * share,
                    from.1 + (to.1 - from.1) * share,
                );
                dash.push(turn);
                if drawing {
                    self.line(std::mem::take(&mut dash), ink, thick);
                }
                dash = vec![turn];
                from = turn;
                drawing = !drawing;
                left = if drawing { on } else { off };
            }
        }
        if drawing {
            self.line(dash, ink, thick);
        }
    }

    pub(super) fn area(&mut self, points: impl Into<Vec<Point>>, ink: Ink) {
        let points: Vec<Point> = points.into();
        if points.len() > 2 && points.iter().all(|p| p.0.is_finite() && p.1.is_finite()) {
            self.shapes.push(Shape::Area(points, ink));
        }
    }

    pub(super) fn rectangle(&mut self, from: Point, to: Point, ink: Ink) {
        self.area([from, (to.0, from.1), to, (from.0, to.1)], ink);
    }

    pub(super) fn outline(&mut self, from: Point, to: Point, ink: Ink, thick: f64) {
        self.line([from, (to.0, from.1), to, (from.0, to.1), from], ink, thick);
    }

    /// A rectangle of slanted strokes, for print without colour.
    pub(super) fn hatch(&mut self, from: Point, to: Point, ink: Ink, apart: f64) {
        let (left, right) = (from.0.min(to.0), from.0.max(to.0));
        let (top, bottom) = (from.1.min(to.1), from.1.max(to.1));
        let tall = bottom - top;
        let strokes = ((right - left + tall) / apart).clamp(0.0, 2000.0) as u32;
        for i in 1..=strokes {
            // A stroke runs from the bottom edge up to the right, cut at the sides.
            let start = left - tall + f64::from(i) * apart;
            let a = start.max(left);
            let b = (start + tall).min(right);
            if b > a {
                self.line(
                    [(a, bottom - (a - start)), (b, bottom - (b - start))],
                    ink,
                    1.0,
                );
            }
        }
    }

    pub(super) fn dot(&mut self, at: Point, radius: f64, ink: Ink) {
        if at.0.is_finite() && at.1.is_finite() {
            self.shapes.push(Shape::Dot(at, radius, ink, true));
        }
    }

    pub(super) fn ring(&mut self, at: Point, radius: f64, ink: Ink) {
        if at.0.is_finite() && at.1.is_finite() {
            self.shapes.push(Shape::Dot(at, radius, Ink::PAPER, true));
            self.shapes.push(Shape::Dot(at, radius, ink, false));
        }
    }

    pub(super) fn words(&mut self, words: Words) {
        if !words.text.is_empty() && words.at.0.is_finite() && words.at.1.is_finite() {
            self.shapes.push(Shape::Text(words));
        }
    }

    /// Puts words down only where they meet no words that are there, and stay on the sheet.
    pub(super) fn words_if_free(&mut self, words: Words) -> bool {
        let area = words.area();
        let inside = area.left >= 0.0 && area.right <= self.width;
        let free = inside && !self.texts().any(|text| text.area().meets(&area));
        if free {
            self.words(words);
        }
        free
    }

    pub(super) fn texts(&self) -> impl Iterator<Item = &Words> {
        self.shapes.iter().filter_map(|shape| match shape {
            Shape::Text(words) => Some(words),
            _ => None,
        })
    }

    /// Writes the SVG, with its title and description for screen readers.
    pub(super) fn finish(&self, key: &str, title: &str, description: &str) -> Svg {
        let title = format::shortened(&format::plain(title), 300);
        let description = format::shortened(&format::plain(description), 2000);
        let (wide, tall) = (fine(self.width) as u32, fine(self.height) as u32);
        let mut drawn = String::new();
        {
            let mut backend = SVGBackend::with_string(&mut drawn, (wide, tall));
            for shape in &self.shapes {
                // Writing into memory cannot fail.
                let _ = draw(&mut backend, shape);
            }
            let _ = backend.present();
        }
        let body = drawn.split_once('>').map_or("", |(_, body)| body);
        let svg = format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{}\" height=\"{}\" viewBox=\"0 0 {wide} {tall}\" \
             role=\"img\" aria-labelledby=\"{key}-title {key}-desc\">\n\
             <title id=\"{key}-title\">{}</title>\n<desc id=\"{key}-desc\">{}</desc>\n\
             <rect width=\"{}\" height=\"{}\" fill=\"#FFFFFF\"/>{body}",
            self.width,
            self.height,
            escaped(&title),
            escaped(&description),
            self.width * FINE,
            self.height * FINE,
        );
        Svg {
            key: key.to_owned(),
            title,
            description,
            svg,
        }
    }
}

fn escaped(text: &str) -> String {
    text.replace('&', "&amp;")
        .replace('<', "&lt;")
        .replace('>', "&gt;")
}

fn fine(value: f64) -> i32 {
    (value * FINE).round().clamp(-1e8, 1e8) as i32
}

fn place(point: Point) -> (i32, i32) {
    (fine(point.0), fine(point.1))
}

fn style(ink: Ink, thick: f64, filled: bool) -> ShapeStyle {
    ShapeStyle {
        color: RGBColor(ink.0, ink.1, ink.2).to_rgba(),
        filled,
        stroke_width: fine(thick).max(1) as u32,
    }
}

fn draw(backend: &mut SVGBackend<'_>, shape: &Shape) -> Result<(), std::fmt::Error> {
    let done = match shape {
        Shape::Line(points, ink, thick) => backend.draw_path(
            points.iter().map(|&p| place(p)),
            &style(*ink, *thick, false),
        ),
        Shape::Area(points, ink) => {
            backend.fill_polygon(points.iter().map(|&p| place(p)), &style(*ink, 1.0, true))
        }
        Shape::Dot(at, radius, ink, filled) => backend.draw_circle(
            place(*at),
            fine(*radius).max(1) as u32,
            &style(*ink, 1.4, *filled),
            *filled,
        ),
        Shape::Text(words) => {
            let across = match words.from {
                Side::Left => HPos::Left,
                Side::Middle => HPos::Center,
                Side::Right => HPos::Right,
            };
            let mut font = plotters::style::FontDesc::new(
                FontFamily::SansSerif,
                words.size * FINE * TYPE,
                FontStyle::Normal,
            );
            if words.bold {
                font = font.style(FontStyle::Bold);
            }
            let ink = RGBColor(words.ink.0, words.ink.1, words.ink.2);
            let text = TextStyle::from(font)
                .color(&ink)
                .pos(Pos::new(across, VPos::Center));
            backend.draw_text(&words.text, &text, place(words.at))
        }
    };
    done.map_err(|_| std::fmt::Error)
}

#[cfg(test)]
pub(super) mod tests {
    use super::*;

    /// The texts that meet one another, for a test to show.
    pub(in crate::report::chart) fn collisions(sketch: &Sketch) -> Vec<(String, String)> {
        let texts: Vec<&Words> = sketch.texts().collect();
        let mut found = Vec::new();
        for (i, a) in texts.iter().enumerate() {
            for b in &texts[i + 1..] {
                if a.area().meets(&b.area()) {
                    found.push((a.text.clone(), b.text.clone()));
                }
            }
        }
        found
    }

    #[test]
    fn a_drawing_is_well_formed_and_titled() {
        let mut sketch = Sketch::new(200.0, 100.0);
        sketch.words(Words::new("<b>&\"\u{1b}", (10.0, 50.0), Side::Left));
        sketch.dot((f64::NAN, 1.0), 2.0, Ink::BLUE);
        let svg = sketch.finish("k", "A <title>", "What & why").svg;
        assert!(svg.contains("<title id=\"k-title\">A &lt;title&gt;</title>"));
        assert!(svg.contains("&lt;b&gt;&amp;&quot;\u{fffd}"));
        assert!(svg.trim_end().ends_with("</svg>"));
        assert!(!svg.contains("NaN"));
    }

    #[test]
    fn hatching_stays_inside_its_box() {
        let mut sketch = Sketch::new(100.0, 100.0);
        sketch.hatch((10.0, 20.0), (60.0, 40.0), Ink::TEXT, 4.0);
        assert!(!sketch.shapes.is_empty());
        for shape in &sketch.shapes {
            let Shape::Line(points, ..) = shape else {
                panic!()
            };
            for &(x, y) in points {
                assert!(
                    (10.0..=60.0).contains(&x) && (20.0..=40.0).contains(&y),
                    "{x} {y}"
                );
            }
        }
    }

    #[test]
    fn long_words_are_shortened_to_the_room() {
        let long = "x".repeat(10_000);
        assert!(width(&fitted(&long, 80.0), SIZE) <= 80.0);
        assert_eq!(fitted("M1", 80.0), "M1");
    }
}
