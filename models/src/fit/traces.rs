//! Traced curves: currents read at volts, in great number and of one valve.

/// Share of the greatest current of an electrode that a meter resolves, where nobody says.
const RESOLUTION: f64 = 0.005;

/// Volts to the cathode and currents, V and A.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row {
    /// Anode volts.
    pub v_ak: f64,
    /// Screen volts; zero for a triode, those of the anode when strapped.
    pub v_sk: f64,
    /// Grid volts.
    pub v_gk: f64,
    /// Anode current; of anode and screen together when strapped.
    pub i_a: Option<f64>,
    /// Screen current.
    pub i_s: Option<f64>,
    /// Screen tied to anode and both read by one meter.
    pub strapped: bool,
}

/// All traced rows of one valve, and what the meters resolve.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Traces {
    /// The rows.
    pub rows: Vec<Row>,
    /// What the anode meter resolves, A.
    pub anode_floor: f64,
    /// What the screen meter resolves, A.
    pub screen_floor: f64,
}

impl Traces {
    /// With meters that resolve `floor`, A, or half a per cent of the greatest current of the electrode.
    pub fn new(rows: Vec<Row>, floor: Option<f64>) -> Self {
        let greatest = |current: fn(&Row) -> Option<f64>| {
            let all = rows.iter().filter_map(current).map(f64::abs);
            floor.unwrap_or(RESOLUTION * all.fold(f64::MIN_POSITIVE / RESOLUTION, f64::max))
        };
        Self {
            anode_floor: greatest(|row| row.i_a),
            screen_floor: greatest(|row| row.i_s),
            rows,
        }
    }

    /// mu and kg of the bare power law i = (v/mu + v_gk + vct)^x / kg through the rows above the knee,
    /// v being the volts of the screen, or of a triode's anode.
    ///
    /// i^(1/x) = b (v_gk + vct) + c v is linear in b and c, and mu = b/c, kg = b^-x. None where the rows
    /// do not tell the two apart.
    pub(super) fn power_law(&self, x: f64, vct: f64) -> Option<(f64, f64)> {
        let greatest = self
            .rows
            .iter()
            .filter_map(|row| row.i_a)
            .fold(0.0, f64::max);
        // Near cut-off the hinge rules, and below a pentode's knee the sharing
        let plain = |row: &&Row| {
            row.i_a.is_some_and(|i| i > 0.05 * greatest)
                && row.v_ak >= 0.5 * row.v_sk
                && row.v_gk <= 0.0
        };
        let (mut gg, mut gv, mut vv, mut gy, mut vy) = (0.0, 0.0, 0.0, 0.0, 0.0);
        for row in self.rows.iter().filter(plain) {
            let v = if row.v_sk > 0.0 { row.v_sk } else { row.v_ak };
            let g = row.v_gk + vct;
            let i = row.i_a.unwrap_or(0.0) + row.i_s.unwrap_or(0.0).max(0.0);
            let y = i.powf(x.recip());
            gg += g * g;
            gv += g * v;
            vv += v * v;
            gy += g * y;
            vy += v * y;
        }
        let determinant = gg * vv - gv * gv;
        let b = (gy * vv - vy * gv) / determinant;
        let c = (vy * gg - gy * gv) / determinant;
        let apart = determinant > 1e-6 * gg * vv && b > 0.0 && c > 0.0;
        apart.then(|| (b / c, b.powf(-x)))
    }
}
