//! The outline of a sheet and where its contacts are. Checks numbers; whether the edge crosses itself or contacts
//! overlap is the geometry's to say, at the places that are kept here.

use crate::fault::Located;
use crate::table::{Bounds, Table};

/// Smallest and largest length of an outline, in metres.
const LENGTH: Bounds = Bounds::new(1e-9, 10.0, "m");

/// A coordinate, in metres.
const COORDINATE: Bounds = Bounds::new(-10.0, 10.0, "m");

/// What the edge looks like; lengths in metres.
#[derive(Clone, Debug, PartialEq)]
pub enum Shape {
    /// A disc; its arc starts at angle 0 and runs counter-clockwise.
    Disc {
        /// Diameter.
        diameter_m: f64,
    },
    /// A rectangle or square; its arc starts at the lower left corner.
    Rectangle {
        /// Along x.
        width_m: f64,
        /// Along y.
        height_m: f64,
    },
    /// A Greek cross: a square of the arms' width with an arm on each side. Its arc starts at the lower left corner of
    /// the lower arm.
    GreekCross {
        /// Width of an arm.
        arm_width_m: f64,
        /// Length of an arm from the square to its end.
        arm_length_m: f64,
    },
    /// A square cut in from the middle of each side. Its arc starts at the lower left corner.
    Cloverleaf {
        /// Side of the square.
        side_m: f64,
        /// Width of a slot.
        slot_width_m: f64,
        /// Depth of a slot from the edge.
        slot_depth_m: f64,
    },
    /// A bar along x with arms on both long sides. Its arc starts at the lower left corner.
    Bridge {
        /// Length of the bar.
        length_m: f64,
        /// Its width.
        width_m: f64,
        /// Where the arms stand, from the left end to their middle.
        arms_at_m: Vec<f64>,
        /// Width of an arm.
        arm_width_m: f64,
        /// Length of an arm.
        arm_length_m: f64,
    },
    /// Any closed edge of straight stretches; its arc starts at the first vertex.
    Polygon {
        /// Corners, counter-clockwise.
        vertices_m: Vec<Located<[f64; 2]>>,
    },
}

/// A contact on the edge.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct EdgeContact {
    /// Its centre along the edge, from the arc's start, in metres.
    pub at_m: f64,
    /// Its length along the edge, in metres.
    pub length_m: f64,
}

/// The outline of a sheet with its contacts and holes.
#[derive(Clone, Debug, PartialEq)]
pub struct Outline {
    /// Its edge.
    pub shape: Located<Shape>,
    /// Contact 1, 2, 3, ….
    pub contacts: Vec<Located<EdgeContact>>,
    /// Holes by their corners.
    pub holes: Vec<Located<Vec<[f64; 2]>>>,
}

pub(crate) fn read(table: &Table<'_>) -> Option<Outline> {
    let shape = shape(table);
    let tables = table.tables("contact");
    let contacts: Vec<_> = tables.iter().map(contact).collect();
    let holes: Vec<_> = table.tables("hole").iter().map(hole).collect();
    let mut right = true;
    if tables.len() < 2 {
        let remedy =
            "write an [[outline.contact]] with at_m and length_m for each contact, counter-clockwise";
        table.push(table.located(()).fault(format!("{} contacts on the outline", tables.len()), remedy));
        right = false;
    }
    let contacts: Option<Vec<_>> = contacts.into_iter().collect();
    let holes: Option<Vec<_>> = holes.into_iter().collect();
    let outline = Outline { shape: shape?, contacts: contacts?, holes: holes? };
    right.then_some(outline)
}

fn shape(table: &Table<'_>) -> Option<Located<Shape>> {
    let words = ["disc", "square", "rectangle", "greek-cross", "cloverleaf", "bridge", "polygon"];
    let kind = table.word("shape", &words);
    let Some(kind) = table.require("shape", "write shape = \"disc\", \"square\", \"polygon\", …", kind)
    else {
        for key in
            ["diameter_m", "side_m", "width_m", "height_m", "vertices_m", "arm_width_m", "arm_length_m"]
        {
            table.has(key);
        }
        return None;
    };
    let need = |key: &'static str| {
        table.require(key, "write it in metres", table.number(key, LENGTH)).map(|length| length.value)
    };
    let shape = match kind.value {
        "disc" => Shape::Disc { diameter_m: need("diameter_m")? },
        "square" => {
            let side_m = need("side_m")?;
            Shape::Rectangle { width_m: side_m, height_m: side_m }
        }
        "rectangle" => {
            let (width, height) = (need("width_m"), need("height_m"));
            Shape::Rectangle { width_m: width?, height_m: height? }
        }
        "greek-cross" => {
            let (width, length) = (need("arm_width_m"), need("arm_length_m"));
            Shape::GreekCross { arm_width_m: width?, arm_length_m: length? }
        }
        "cloverleaf" => {
            let (side, width, depth) = (need("side_m"), need("slot_width_m"), need("slot_depth_m"));
            Shape::Cloverleaf { side_m: side?, slot_width_m: width?, slot_depth_m: depth? }
        }
        "bridge" => bridge(table, need)?,
        _ => Shape::Polygon { vertices_m: vertices(table)?.value },
    };
    Some(kind.map(|_| shape))
}

fn bridge(table: &Table<'_>, need: impl Fn(&'static str) -> Option<f64>) -> Option<Shape> {
    let (length, width) = (need("length_m"), need("width_m"));
    let (arm_width, arm_length) = (need("arm_width_m"), need("arm_length_m"));
    let remedy = "write where the arms stand along the bar, as in arms_at_m = [0.002, 0.006]";
    let arms = table.require("arms_at_m", remedy, table.numbers("arms_at_m", LENGTH));
    Some(Shape::Bridge {
        length_m: length?,
        width_m: width?,
        arms_at_m: arms?.value.into_iter().map(|arm| arm.value).collect(),
        arm_width_m: arm_width?,
        arm_length_m: arm_length?,
    })
}

fn vertices(table: &Table<'_>) -> Option<Located<Vec<Located<[f64; 2]>>>> {
    let remedy = "write the corners counter-clockwise, as in vertices_m = [[0, 0], [0.01, 0], [0.01, 0.01]]";
    let vertices = table.require("vertices_m", remedy, table.points("vertices_m", COORDINATE, remedy))?;
    if !(3..=10_000).contains(&vertices.value.len()) {
        let problem = format!("{} corners", vertices.value.len());
        table.push(vertices.fault(problem, "write from 3 to 10000 corners"));
        return None;
    }
    Some(vertices)
}

fn contact(table: &Table<'_>) -> Option<Located<EdgeContact>> {
    let at = table.require(
        "at_m",
        "write the centre of the contact along the edge, in metres from the arc's start",
        table.number("at_m", Bounds::new(0.0, 100.0, "m")),
    );
    let length = table.require(
        "length_m",
        "write the length of the contact along the edge, in metres",
        table.number("length_m", LENGTH),
    );
    Some(table.located(EdgeContact { at_m: at?.value, length_m: length?.value }))
}

fn hole(table: &Table<'_>) -> Option<Located<Vec<[f64; 2]>>> {
    Some(vertices(table)?.map(|vertices| vertices.into_iter().map(|vertex| vertex.value).collect()))
}
