//! Laws that every sheet obeys, whatever its outline.

#![allow(clippy::unwrap_used, reason = "helpers of tests")]

mod sheets;

use quadrille_network::{EdgeContact, Film, Fineness, Outline, Sheet, SideArm};
use quadrille_quantity::{Ohm, Tesla};
use sheets::{Random, close, contacts, error, irregular, resistance, solved, unlike};
use std::f64::consts::{LN_2, PI};

/// Onsager and Casimir; with a hole and a conductance that varies, so that no map helps.
#[test]
fn current_and_voltage_contacts_change_places_if_the_field_is_reversed() {
    let hole = [[0.4, 0.2], [0.7, 0.25], [0.5, 0.5]];
    let holed = Sheet::new(irregular().with_hole(&hole).unwrap(), &unlike()).unwrap();
    for sheet in [
        solved(irregular(), &unlike()),
        holed.solve(1e-5).unwrap(),
        holed.with_conductance(|x, _| 1.0 + x * x).solve(1e-4).unwrap(),
    ] {
        for t in [0.0, 0.4, 2.0] {
            for (one, other) in [("12,34", "34,12"), ("13,24", "24,13"), ("23,14", "14,23")] {
                close(resistance(&sheet, t, one), resistance(&sheet, -t, other), 1e-9);
            }
        }
        assert!((resistance(&sheet, 0.4, "13,24") - resistance(&sheet, -0.4, "13,24")).abs() > 0.1);
    }
}

#[test]
fn the_three_pairings_add_up_to_nothing_at_zero_field() {
    let sheet = solved(irregular(), &unlike());
    let sum: f64 = ["12,34", "23,14", "31,24"].map(|c| resistance(&sheet, 0.0, c)).iter().sum();
    assert!(sum.abs() < 1e-10, "{sum:e}");
}

/// p-type with +B towards the viewer, contacts counter-clockwise.
#[test]
fn the_hall_resistance_has_the_sign_of_a_film() {
    let film =
        Film::new(Ohm(0.3), Ohm(0.2), 0.5, [Ohm(0.0); 4]).unwrap().terminal_matrix(Tesla(1.0)).unwrap();
    let of_film = film.four_terminal("13,24".parse().unwrap()).unwrap().0;
    let at_zero =
        Film::new(Ohm(0.3), Ohm(0.2), 0.5, [Ohm(0.0); 4]).unwrap().terminal_matrix(Tesla(0.0)).unwrap();
    let odd_of_film = of_film - at_zero.four_terminal("13,24".parse().unwrap()).unwrap().0;
    let sheet = solved(irregular(), &unlike());
    let odd = resistance(&sheet, 0.5, "13,24") - resistance(&sheet, -0.5, "13,24");
    assert!(odd > 0.0 && odd_of_film > 0.0);
}

/// x → T^−½ x takes anisotropy away: a rectangle along the axes is stretched.
#[test]
fn an_anisotropic_rectangle_is_a_stretched_isotropic_one() {
    let stretch = 1.6_f64;
    let place = |(x, y): (f64, f64)| {
        // Middle and length of contacts within the four sides, of a rectangle x by y.
        [
            EdgeContact { at_m: 0.3 * x, length_m: 0.2 * x },
            EdgeContact { at_m: x + 0.5 * y, length_m: 0.4 * y },
            EdgeContact { at_m: x + y + 0.35 * x, length_m: 0.1 * x },
            EdgeContact { at_m: 2.0 * x + y + 0.6 * y, length_m: 0.15 * y },
        ]
    };
    let plain = Sheet::new(Outline::rectangle(1.1, 0.8).unwrap(), &place((1.1, 0.8))).unwrap();
    let plain = plain.with_anisotropy([3.0 / stretch, 0.0, 3.0 * stretch]).unwrap().solve(1e-6).unwrap();
    let (x, y) = (1.1 * stretch.sqrt(), 0.8 / stretch.sqrt());
    let stretched = solved(Outline::rectangle(x, y).unwrap(), &place((x, y)));
    for t in [0.0, 1.3] {
        let at = |sheet: &quadrille_network::SolvedSheet| sheet.terminals(Ohm(1.0), t).unwrap();
        assert!(error(&at(&plain), &at(&stretched)) < 1e-7);
    }
}

/// Axes of the conductance that turn with the sheet.
#[test]
fn a_turned_sheet_with_turned_axes_is_the_same_sheet() {
    let vertices = [[0.0, 0.0], [1.3, -0.2], [1.7, 0.9], [0.8, 0.55], [0.2, 1.2]];
    let (sin, cos) = 0.6_f64.sin_cos();
    let turned = vertices.map(|[x, y]| [cos * x - sin * y, sin * x + cos * y]);
    let sheet = |vertices: &[[f64; 2]], tensor| {
        let sheet = Sheet::new(Outline::polygon(vertices).unwrap(), &unlike()).unwrap();
        sheet.with_anisotropy(tensor).unwrap().solve(1e-6).unwrap()
    };
    let (a, b) = (2.0, 0.5);
    let one = sheet(&vertices, [a, 0.0, b]);
    let other =
        sheet(&turned, [a * cos * cos + b * sin * sin, (a - b) * sin * cos, a * sin * sin + b * cos * cos]);
    let at = |sheet: &quadrille_network::SolvedSheet| sheet.terminals(Ohm(1.0), 0.8).unwrap();
    assert!(error(&at(&one), &at(&other)) < 1e-6);
    // And not that of the isotropic sheet.
    assert!(error(&at(&one), &at(&solved(irregular(), &unlike()))) > 0.01);
}

#[test]
fn contacts_may_be_listed_in_any_order_and_run_across_the_start() {
    let given = [(0.02, 0.3), (1.3, 0.25), (2.9, 0.11), (4.35, 0.4)];
    let listed = |order: [usize; 4]| {
        let contacts = order.map(|k| EdgeContact { at_m: given[k].0, length_m: given[k].1 });
        solved(irregular(), &contacts)
    };
    let (sorted, mixed) = (listed([0, 1, 2, 3]), listed([2, 0, 3, 1]));
    // Contact 1 of the first is 2 of the second, and so on.
    for (one, other) in [("12,34", "24,13"), ("13,24", "21,43"), ("14,14", "23,23")] {
        close(resistance(&sorted, 0.7, one), resistance(&mixed, 0.7, other), 1e-9);
    }
}

#[test]
fn the_map_and_the_krylov_space_agree_on_random_sheets_with_six_contacts() {
    let mut random = Random(77);
    for case in 0..4 {
        let outline = random.outline();
        let contacts = random.contacts(6, outline.perimeter_m());
        let mapped = Sheet::new(outline, &contacts).unwrap().solve(1e-5).unwrap();
        let at = |sheet: &quadrille_network::SolvedSheet| sheet.terminals(Ohm(1.0), 1.5).unwrap();
        let (first, bound) = (at(&mapped), mapped.bound(1.5));
        let direct = mapped.without_map();
        let apart = error(&at(&direct), &first);
        assert!(apart < bound + direct.bound(1.5) && apart < 2e-5, "case {case}: {apart:e}");
    }
}

/// Each order divides the difference between below and above by ten or more, each decade of the innermost elements by ten.
#[test]
fn the_error_goes_down_with_the_order_and_with_the_innermost_elements() {
    let sheet = Sheet::new(irregular(), &unlike()).unwrap();
    let bound = |order, innermost| {
        let fineness = Fineness { order, growth: 0.8, innermost, largest: 0.25, arc: 0.25 };
        sheet.solve_on(fineness).unwrap().bound(0.0)
    };
    let by_order: Vec<f64> = (2..=6).map(|order| bound(order, 1e-9)).collect();
    assert!(by_order.windows(2).all(|pair| pair[1] < pair[0] / 8.0), "{by_order:?}");
    let by_size: Vec<f64> = [1e-2, 1e-3, 1e-4, 1e-5].map(|innermost| bound(6, innermost)).to_vec();
    assert!(by_size.windows(2).all(|pair| (6.0..14.0).contains(&(pair[0] / pair[1]))), "{by_size:?}");
}

#[test]
fn resistances_are_in_units_of_the_sheet_resistance_and_not_of_size() {
    let small = solved(Outline::rectangle(2e-6, 1e-6).unwrap(), &contacts(&[0.5e-6, 2.6e-6, 4.1e-6], 0.2e-6));
    let large = solved(Outline::rectangle(2.0, 1.0).unwrap(), &contacts(&[0.5, 2.6, 4.1], 0.2));
    let of = |sheet: &quadrille_network::SolvedSheet, ohms| {
        sheet.terminals(Ohm(ohms), 0.3).unwrap().four_terminal("13,13".parse().unwrap()).unwrap().0
    };
    close(of(&small, 250.0), 250.0 * of(&large, 1.0), 1e-8);
}

/// Between arms on one side of a bar a few widths from its ends the voltage is that of a uniform current.
#[test]
fn a_bridge_measures_squares_between_its_arms() {
    let arm = |at_m, upper| SideArm { upper, at_m, width_m: 0.05, length_m: 0.3 };
    let arms = [arm(3.0, false), arm(5.0, false), arm(5.0, true), arm(3.0, true)];
    let outline = Outline::bridge(8.0, 1.0, &arms).unwrap();
    // Right end, left end, and the ends of the lower arms.
    let corners = outline.corners_m();
    let middle = |i: usize| EdgeContact {
        at_m: (corners[i] + corners.get(i + 1).copied().unwrap_or(outline.perimeter_m())) / 2.0,
        length_m: 0.04,
    };
    let end = |i: usize| EdgeContact { length_m: 1.0, ..middle(i) };
    // Lower arms' ends are pieces 2 and 6, the right end 9, upper arms' ends 12 and 16, the left end 19.
    let contacts = [middle(2), middle(6), end(9), middle(12), middle(16), end(19)];
    let sheet = solved(outline, &contacts);
    close(resistance(&sheet, 0.0, "63,12"), 2.0, 2e-3);
    // The arms across the bar show the Hall voltage: current to the right, the lower one higher.
    close(resistance(&sheet, 0.5, "63,15") - resistance(&sheet, 0.0, "63,15"), 0.5, 2e-3);
}

#[test]
fn leaves_of_a_cloverleaf_hide_the_size_of_contacts() {
    let error = |outline: Outline| {
        let quarter = outline.perimeter_m() / 4.0;
        let sheet = solved(outline, &contacts(&[0.0, 1.0, 2.0, 3.0].map(|k| k * quarter), 0.1));
        (PI / LN_2 * resistance(&sheet, 0.0, "12,43") - 1.0).abs()
    };
    let disc = error(Outline::disc(1.0).unwrap());
    assert!(error(Outline::cloverleaf_disc(1.0, 0.02, 0.3).unwrap()) < disc / 10.0);
    assert!(error(Outline::cloverleaf_square(1.0, 0.02, 0.3).unwrap()) < disc / 10.0);
}
