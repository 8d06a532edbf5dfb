//! The reference triangle with Lagrange polynomials of any order. Knows no mesh.

/// Nodes (i, j, l)/k of the barycentric coordinates, corners first, then the inner nodes of the edges 0-1, 1-2, 2-0 in
/// their direction, then those inside.
#[derive(Clone, Debug)]
pub(crate) struct Element {
    pub(crate) order: usize,
    pub(crate) nodes: Vec<[usize; 3]>,
    pub(crate) rule: Vec<RulePoint>,
    /// ∫ ∂_a φ_i ∂_b φ_j over the reference triangle (0,0), (1,0), (0,1): xx, xy + yx, yy.
    stiffness: [Vec<f64>; 3],
    /// ∫ φ_i dφ_j/ds over an edge, nodes in their order along it.
    pub(crate) along: Vec<f64>,
}

/// A point of a quadrature rule on the reference triangle, with the values and gradients of all polynomials there.
#[derive(Clone, Debug)]
pub(crate) struct RulePoint {
    pub(crate) weight: f64,
    pub(crate) values: Vec<f64>,
    pub(crate) gradients: Vec<[f64; 2]>,
}

impl Element {
    pub(crate) fn new(order: usize) -> Self {
        let nodes = nodes(order);
        let (points, weights) = gauss_legendre(order + 2);
        let mut rule = Vec::new();
        // Duffy's map (x, y) = (u, v (1 − u)), whose Jacobian raises the degree in u by one.
        for (&u, &a) in points.iter().zip(&weights) {
            for (&v, &b) in points.iter().zip(&weights) {
                let (values, gradients) = evaluate(&nodes, order, [u, v * (1.0 - u)]);
                rule.push(RulePoint { weight: a * b * (1.0 - u), values, gradients });
            }
        }
        let count = nodes.len();
        let mut stiffness = [vec![0.0; count * count], vec![0.0; count * count], vec![0.0; count * count]];
        for point in &rule {
            for (i, a) in point.gradients.iter().enumerate() {
                for (j, b) in point.gradients.iter().enumerate() {
                    let at = i * count + j;
                    stiffness[0][at] += point.weight * a[0] * b[0];
                    stiffness[1][at] += point.weight * (a[0] * b[1] + a[1] * b[0]);
                    stiffness[2][at] += point.weight * a[1] * b[1];
                }
            }
        }
        Self { order, nodes, rule, stiffness, along: along(order, &points, &weights) }
    }

    pub(crate) fn count(&self) -> usize {
        self.nodes.len()
    }

    /// Stiffness ∫ ∇φ_i · ∇φ_j of a straight triangle, by rows.
    pub(crate) fn straight(&self, [a, b, c]: [[f64; 2]; 3], into: &mut [f64]) {
        let (p, q) = ([b[0] - a[0], b[1] - a[1]], [c[0] - a[0], c[1] - a[1]]);
        let twice = p[0] * q[1] - p[1] * q[0];
        let dot = |a: [f64; 2], b: [f64; 2]| a[0] * b[0] + a[1] * b[1];
        let metric = [dot(q, q) / twice, -dot(p, q) / twice, dot(p, p) / twice];
        for (at, value) in into.iter_mut().enumerate() {
            *value = (0..3).map(|m| metric[m] * self.stiffness[m][at]).sum();
        }
    }

    /// The node's place in the reference triangle.
    pub(crate) fn place(&self, node: usize) -> [f64; 3] {
        self.nodes[node].map(|index| index as f64 / self.order as f64)
    }
}

fn nodes(order: usize) -> Vec<[usize; 3]> {
    let mut nodes = vec![[order, 0, 0], [0, order, 0], [0, 0, order]];
    for (from, to) in [(0, 1), (1, 2), (2, 0)] {
        for step in 1..order {
            let mut node = [0; 3];
            node[from] = order - step;
            node[to] = step;
            nodes.push(node);
        }
    }
    for i in 1..order {
        for j in 1..order - i {
            nodes.push([order - i - j, i, j]);
        }
    }
    nodes
}

/// P_m(λ) = Π_{r<m} (kλ − r)/(r + 1) and its derivative; the polynomial of node (i, j, l) is P_i(λ₀) P_j(λ₁) P_l(λ₂)
/// (Silvester, Int. J. Eng. Sci. 7, 849, 1969, from memory).
fn silvester(order: usize, m: usize, lambda: f64) -> (f64, f64) {
    let k = order as f64;
    (0..m).fold((1.0, 0.0), |(value, slope), r| {
        let (r, n) = (r as f64, r as f64 + 1.0);
        let factor = (k * lambda - r) / n;
        (value * factor, slope * factor + value * k / n)
    })
}

fn evaluate(nodes: &[[usize; 3]], order: usize, [x, y]: [f64; 2]) -> (Vec<f64>, Vec<[f64; 2]>) {
    let lambda = [1.0 - x - y, x, y];
    let one = |node: &[usize; 3]| {
        let [(p, dp), (q, dq), (r, dr)] = [0, 1, 2].map(|c| silvester(order, node[c], lambda[c]));
        let by = [dp * q * r, p * dq * r, p * q * dr];
        (p * q * r, [by[1] - by[0], by[2] - by[0]])
    };
    nodes.iter().map(one).unzip()
}

fn along(order: usize, points: &[f64], weights: &[f64]) -> Vec<f64> {
    let count = order + 1;
    let mut integrals = vec![0.0; count * count];
    for (&s, &weight) in points.iter().zip(weights) {
        let shapes: Vec<(f64, f64)> = (0..count)
            .map(|i| {
                let (p, dp) = silvester(order, order - i, 1.0 - s);
                let (q, dq) = silvester(order, i, s);
                (p * q, p * dq - dp * q)
            })
            .collect();
        for i in 0..count {
            for j in 0..count {
                integrals[i * count + j] += weight * shapes[i].0 * shapes[j].1;
            }
        }
    }
    integrals
}

/// Points and weights on 0 to 1, by Newton's method on the Legendre polynomial.
pub(crate) fn gauss_legendre(count: usize) -> (Vec<f64>, Vec<f64>) {
    let n = count as f64;
    let one = |i: usize| {
        let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (n + 0.5)).cos();
        let mut slope = 1.0;
        for _ in 0..20 {
            let (mut before, mut now) = (1.0, x);
            for m in 2..=count {
                let m = m as f64;
                (before, now) = (now, ((2.0 * m - 1.0) * x * now - (m - 1.0) * before) / m);
            }
            slope = n * (x * now - before) / (x * x - 1.0);
            x -= now / slope;
        }
        ((1.0 - x) / 2.0, 1.0 / ((1.0 - x * x) * slope * slope))
    };
    (0..count).map(one).unzip()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_polynomials_sum_to_one_and_their_gradients_to_nothing() {
        for order in 1..=7 {
            for point in &Element::new(order).rule {
                assert!((point.values.iter().sum::<f64>() - 1.0).abs() < 1e-12);
                let slope: f64 =
                    point.gradients.iter().map(|g| g[0].abs().max(g[1].abs())).fold(0.0, f64::max);
                for x in 0..2 {
                    assert!(point.gradients.iter().map(|g| g[x]).sum::<f64>().abs() < 1e-11 * slope.max(1.0));
                }
            }
        }
    }

    #[test]
    fn the_energy_of_a_polynomial_is_exact_on_any_triangle() {
        // ∫ |∇(x² y)|² over the triangle with corners (0,0), (2,0), (0,1) is ∫ 4x²y² + x⁴ = 16/180 + … by hand:
        // ∫ x^a y^b = 2^{a+1} a! b!/(a+b+2)!: 4·8·2·2/720 + 32·24/720 = 8/45 + 16/15.
        let expected = 8.0 / 45.0 + 16.0 / 15.0;
        for order in 3..=7 {
            let element = Element::new(order);
            let n = element.count();
            let mut stiffness = vec![0.0; n * n];
            element.straight([[0.0, 0.0], [2.0, 0.0], [0.0, 1.0]], &mut stiffness);
            let u: Vec<f64> = (0..n)
                .map(|i| {
                    let [_, p, q] = element.place(i);
                    4.0 * p * p * q
                })
                .collect();
            let energy: f64 = (0..n * n).map(|at| u[at / n] * stiffness[at] * u[at % n]).sum();
            assert!((energy - expected).abs() < 1e-11, "{order}: {energy} {expected}");
        }
    }
}
