//! An amplifier under test: its equations and its rest, found once. Every question is asked of one.
//!
//! Over 400 lines because the ways to a rest stand beside what is asked of one.

use std::collections::{HashMap, VecDeque};
use std::sync::OnceLock;

use sim::amplifier::Amplifier;
use sim::circuit::{Circuit, NodeId, PartId};
use sim::error::{Question, SimError};
use sim::parts::Waveform;
use sim::periodic::Settling;
use sim::rest::{Differs, Rest, Vicinity};
use sim::small_signal::SmallSignal;
use sim::stability::{Growing, grows_over};
use sim::system::{System, Unknown, Workspace};
use sim::tolerances::Tolerances;
use sim::topology::one_way;

/// An amplifier at rest, its generator silent. Shared between threads.
#[derive(Debug)]
pub struct UnderTest<'a> {
    /// The amplifier as drawn.
    pub amplifier: &'a Amplifier,
    /// Its circuit, or that circuit with something changed; parts and nodes of the drawing keep their ids.
    pub circuit: &'a Circuit,
    /// The equations of the circuit.
    pub system: &'a System,
    /// The circuit at rest: still, or on a settled period of its mains.
    pub rest: Rest,
    /// How exactly it is solved.
    pub tolerances: Tolerances,
    /// At rest, on the mains at the start of a period.
    ws: Workspace,
    /// Whether it is asked only if anything grows, and not what that comes to.
    without_ends: bool,
    growing: OnceLock<Result<Option<Growing>, SimError>>,
    vicinity: OnceLock<Option<Vicinity>>,
}

impl<'a> UnderTest<'a> {
    /// Finds the rest of an amplifier as drawn; `system` are the equations of its circuit.
    ///
    /// # Errors
    /// Those of [`Rest::find`].
    pub fn find(amplifier: &'a Amplifier, system: &'a System) -> Result<Self, SimError> {
        Self::find_within(amplifier, system, Tolerances::default())
    }

    /// Finds the rest as exactly as the tolerances ask.
    ///
    /// # Errors
    /// Those of [`Rest::find`].
    pub fn find_within(
        amplifier: &'a Amplifier,
        system: &'a System,
        tolerances: Tolerances,
    ) -> Result<Self, SimError> {
        Self::of_circuit(amplifier, &amplifier.circuit, system, tolerances)
    }

    /// Finds the rest of the amplifier with another circuit, from nothing.
    pub(crate) fn of_circuit(
        amplifier: &'a Amplifier,
        circuit: &'a Circuit,
        system: &'a System,
        tolerances: Tolerances,
    ) -> Result<Self, SimError> {
        Self::of_circuit_by(amplifier, circuit, system, &Settling::default(), tolerances)
    }

    fn of_circuit_by(
        amplifier: &'a Amplifier,
        circuit: &'a Circuit,
        system: &'a System,
        settling: &Settling,
        tolerances: Tolerances,
    ) -> Result<Self, SimError> {
        let mut ws = silent(amplifier, system);
        let rest = Rest::find_by(system, settling, &tolerances, &mut ws)
            .map_err(|error| cause(circuit, error))?;
        Ok(Self::resting(
            amplifier,
            (circuit, system),
            rest,
            tolerances,
            ws,
        ))
    }

    /// The amplifier as drawn, taken at the rest of another circuit with its parts and nodes: unsolved, so that one
    /// that does not stay there can be asked what makes it leave.
    ///
    /// # Errors
    /// Those of [`Rest::find`], of that other circuit.
    pub(crate) fn at_rest_of(
        amplifier: &'a Amplifier,
        system: &'a System,
        other: (&Circuit, &System),
    ) -> Result<Self, SimError> {
        let other = UnderTest::of_circuit(amplifier, other.0, other.1, Tolerances::default())?;
        let samples = other.rest.samples().iter();
        let samples = samples.map(|x| carried(other.system, x, system)).collect();
        let rest = other.rest.left_with(samples);
        let circuit = (&amplifier.circuit, system);
        let ws = other.workspace_of(system);
        Ok(Self::resting(
            amplifier,
            circuit,
            rest,
            other.tolerances,
            ws,
        ))
    }

    /// At a rest found; what is asked of it later is found once.
    fn resting(
        amplifier: &'a Amplifier,
        (circuit, system): (&'a Circuit, &'a System),
        rest: Rest,
        tolerances: Tolerances,
        ws: Workspace,
    ) -> Self {
        Self {
            amplifier,
            circuit,
            system,
            rest,
            tolerances,
            ws,
            without_ends: false,
            growing: OnceLock::new(),
            vicinity: OnceLock::new(),
        }
    }

    /// A changed circuit at its rest, asked as exactly as this one.
    fn changed_to<'b>(
        &self,
        circuit: &'b Circuit,
        system: &'b System,
        rest: Rest,
        ws: Workspace,
    ) -> UnderTest<'b>
    where
        'a: 'b,
    {
        UnderTest::resting(self.amplifier, (circuit, system), rest, self.tolerances, ws)
    }

    /// The rest of a circuit that differs little from this one: by Newton's iteration from here when still,
    /// settled from here on the mains; from nothing when neither arrives.
    ///
    /// # Errors
    /// Those of [`Rest::find`].
    pub fn near<'b>(
        &self,
        circuit: &'b Circuit,
        system: &'b System,
    ) -> Result<UnderTest<'b>, SimError>
    where
        'a: 'b,
    {
        self.near_by(circuit, system, &Settling::default())
    }

    /// As [`UnderTest::near`], with how a cycle of the mains is settled: see [`Rest::find_by`].
    pub(crate) fn near_by<'b>(
        &self,
        circuit: &'b Circuit,
        system: &'b System,
        settling: &Settling,
    ) -> Result<UnderTest<'b>, SimError>
    where
        'a: 'b,
    {
        self.led_to(circuit, system, settling, Differs::ALittle)
    }

    /// As [`UnderTest::near_by`], of a circuit that is known to differ so far.
    fn led_to<'b>(
        &self,
        circuit: &'b Circuit,
        system: &'b System,
        settling: &Settling,
        differs: Differs,
    ) -> Result<UnderTest<'b>, SimError>
    where
        'a: 'b,
    {
        let mut ws = self.workspace_of(system);
        let rest = if self.rest.mains.is_none() {
            Rest::find(system, &self.tolerances, &mut ws)?
        } else {
            let tolerances = &self.tolerances;
            match (self.rest).follow(system, settling, tolerances, differs, &mut ws) {
                Ok(rest) => rest,
                Err(error @ SimError::Oscillates { .. }) => return Err(error),
                Err(_) => {
                    return self.afresh_by(circuit, system, settling);
                }
            }
        };
        Ok(self.changed_to(circuit, system, rest, ws))
    }

    /// The circuits near this one, by its slopes along the mains period; none where it is still, or that cannot be. Found
    /// once.
    pub(crate) fn vicinity(&self) -> Option<&Vicinity> {
        let found = || Vicinity::of(&self.rest, self.system, &mut self.workspace());
        let found = || found().ok().flatten();
        self.vicinity.get_or_init(found).as_ref()
    }

    /// As [`UnderTest::near`]; on the mains by corrections of this rest where they arrive and nothing grows there. Where all
    /// that has changed is a resistor from a node to the chassis, it is `loaded` there by so many ohms.
    pub(crate) fn beside<'b>(
        &self,
        loaded: Option<(NodeId, f64)>,
        circuit: &'b Circuit,
        system: &'b System,
    ) -> Result<UnderTest<'b>, SimError>
    where
        'a: 'b,
    {
        let mut ws = self.workspace_of(system);
        let Some(vicinity) = self.vicinity() else {
            return self.near(circuit, system);
        };
        let Some(rest) = vicinity.settle(system, loaded, &mut ws) else {
            return self.led_to(circuit, system, &Settling::default(), Differs::More);
        };
        ws.x.clone_from(&rest.samples()[0]);
        if grows_over(system, rest.samples(), &mut ws.clone())?.is_some() {
            return self.near(circuit, system);
        }
        Ok(self.changed_to(circuit, system, rest, ws))
    }

    /// What each changed circuit adds to the mean of every unknown, `[changes][n]`, to first order; none where this one is
    /// still, or they differ by more than values that store nothing.
    pub(crate) fn first_order(&self, changed: &[System]) -> Option<Vec<Vec<f64>>> {
        let vicinity = self.vicinity()?;
        let with_room = changed
            .iter()
            .map(|system| (system, self.workspace_of(system)));
        vicinity.first_order(&mut with_room.collect::<Vec<_>>())
    }

    /// As [`UnderTest::near_by`], but from nothing.
    pub(crate) fn afresh_by<'b>(
        &self,
        circuit: &'b Circuit,
        system: &'b System,
        settling: &Settling,
    ) -> Result<UnderTest<'b>, SimError>
    where
        'a: 'b,
    {
        UnderTest::of_circuit_by(self.amplifier, circuit, system, settling, self.tolerances)
    }

    /// A circuit that differs where nothing flows at rest, by its load say, taken at the rest of this one: unsolved.
    pub(crate) fn taken_for<'b>(&self, circuit: &'b Circuit, system: &'b System) -> UnderTest<'b>
    where
        'a: 'b,
    {
        let samples = self.rest.samples().iter();
        let samples = samples.map(|x| carried(self.system, x, system)).collect();
        let rest = self.rest.with_samples(samples);
        self.changed_to(circuit, system, rest, self.workspace_of(system))
    }

    /// A workspace for a changed circuit, as far as may be where this one is at rest; the generator silent.
    fn workspace_of(&self, system: &System) -> Workspace {
        let mut ws = silent(self.amplifier, system);
        ws.x = carried(self.system, &self.ws.x, system);
        if ws.memory.len() == self.ws.memory.len() {
            ws.memory.clone_from(&self.ws.memory);
        }
        ws
    }

    /// A workspace at rest, on the mains at the start of a period.
    pub fn workspace(&self) -> Workspace {
        self.ws.clone()
    }

    /// A workspace at rest, on the mains at the mean of its period.
    pub(crate) fn at_mean(&self) -> Workspace {
        let mut ws = self.workspace();
        if self.rest.mains.is_some() {
            ws.x = self.rest.mean_state();
        }
        ws
    }

    /// A workspace at rest with a source that gives other volts.
    ///
    /// # Errors
    /// [`Question::NotASource`] when the part is none.
    pub(crate) fn driven_by(
        &self,
        generator: PartId,
        waveform: Waveform,
    ) -> Result<Workspace, SimError> {
        let place = self.place_of(generator)?;
        let mut ws = self.workspace();
        ws.waveforms[place] = waveform;
        Ok(ws)
    }

    /// Where a source stands among the sources.
    ///
    /// # Errors
    /// [`Question::NotASource`] when the part is none.
    pub(crate) fn place_of(&self, generator: PartId) -> Result<usize, SimError> {
        let mut sources = self.system.sources();
        sources
            .position(|part| part == generator)
            .ok_or_else(|| SimError::Question(Question::NotASource("the generator".to_owned())))
    }

    /// Open-circuit volts of every source, in the order of [`System::sources`].
    pub(crate) fn waveforms(&self) -> &[Waveform] {
        &self.ws.waveforms
    }

    /// The amplifier with another settled period in the place of its rest: with a signal, say.
    pub(crate) fn on(&self, rest: Rest) -> Self {
        self.changed_to(self.circuit, self.system, rest, self.workspace())
    }

    /// The natural frequency that grows, when the circuit does not stay at rest; found out once.
    ///
    /// # Errors
    /// [`SimError::Undetermined`] when that cannot be told.
    pub fn growing(&self) -> Result<Option<Growing>, SimError> {
        self.growing
            .get_or_init(|| {
                if self.without_ends {
                    self.rest.grows(self.system, &self.ws)
                } else {
                    self.rest.growing(self.system, &self.ws)
                }
            })
            .clone()
    }

    /// What grows is told without what it comes to, which is most of the cost: for many circuits of which is asked only
    /// whether anything does.
    pub(crate) fn without_ends(self) -> Self {
        Self {
            without_ends: true,
            ..self
        }
    }

    /// Whether it stays at rest, without what it comes to where it does not.
    ///
    /// # Errors
    /// As [`UnderTest::growing`].
    pub(crate) fn grows(&self) -> Result<bool, SimError> {
        let grows = self.rest.grows(self.system, &self.ws)?;
        Ok(grows.is_some())
    }

    /// Whether the circuit stays at rest.
    ///
    /// # Errors
    /// [`SimError::Oscillates`] when a disturbance grows.
    pub fn lasts(&self) -> Result<(), SimError> {
        match self.growing()? {
            None => Ok(()),
            Some(growing) => Err(growing.into()),
        }
    }

    /// The circuit linearised at rest; on the mains, along the period.
    pub fn linearised(&self) -> SmallSignal<'a> {
        self.rest.linearised(self.system, &mut self.workspace())
    }
}

/// What the drawing shows to be the cause where no voltages were found.
fn cause(circuit: &Circuit, error: SimError) -> SimError {
    if let SimError::NoOperatingPoint { .. } = error
        && let Some(&(node, part)) = one_way(circuit).first()
    {
        return SimError::OneWay {
            node: circuit.node_name(node).to_owned(),
            part: circuit.part(part).name.clone(),
        };
    }
    error
}

/// A workspace from nothing, the generator silent.
fn silent(amplifier: &Amplifier, system: &System) -> Workspace {
    let mut ws = system.workspace();
    let place = system
        .sources()
        .position(|part| part == amplifier.bench.generator);
    if let Some(place) = place {
        ws.waveforms[place] = Waveform::Dc(0.0);
    }
    ws
}

/// The unknowns `x` `[n+1]` of one circuit as a start for a changed one: what both have is carried over, a
/// new node starts at the chassis and a new source without current.
pub(crate) fn carried(from: &System, x: &[f64], to: &System) -> Vec<f64> {
    let (old, new) = (from.unknowns(), to.unknowns());
    if old == new {
        return x.to_vec();
    }
    // A part may have several nodes inside: the first of one goes to the first of the other.
    let mut places: HashMap<&Unknown, VecDeque<usize>> = HashMap::new();
    for (place, unknown) in old.iter().enumerate() {
        places.entry(unknown).or_default().push_back(place);
    }
    let mut start = vec![0.0; to.len() + 1];
    for (start, unknown) in start.iter_mut().zip(new) {
        if let Some(place) = places.get_mut(unknown).and_then(VecDeque::pop_front) {
            *start = x[place];
        }
    }
    start
}
