//! How one field of a record stands in a column.

use std::sync::Arc;

use arrow::array::{
    ArrayRef, BooleanArray, Date32Array, Float64Array, Int64Array, StringArray,
    TimestampMicrosecondArray,
};
use drydown_findings::{FindingState, ForecastEnd, Kind, Severity};
use drydown_pumps::{Cause, DaysStatus, PumpState};
use drydown_quantity::{Day, OilType, Quarter, ReservoirId, RunId, SiteId, Stamp, UnitId};
use drydown_removal::{Basis, LimitedBy, Regime, RunStatus};
use drydown_reservoirs::{AlarmBasis, AlarmSide, AlarmStatus, ChangeStatus};
use drydown_runs::Phase;
use drydown_runs::history::{
    BarometerBasis, Censor, MaintenanceAction, PcbStatus, PumpKind, ReservoirAction, SamplePoint,
    SensorPlace, UnitEventKind, VolumeBasis,
};

use crate::error::TableError;
use crate::frame::{Cells, Frame};

/// A column of a table, for reading and for messages.
#[derive(Clone, Copy, Debug)]
pub(crate) struct Place {
    pub(crate) table: &'static str,
    pub(crate) column: &'static str,
}

impl Place {
    fn cells<T>(self, cells: Cells<T>, expected: &'static str, height: usize) -> Read<T> {
        match cells {
            Ok(Some(cells)) => Ok(cells),
            Ok(None) => Ok((0..height).map(|_| None).collect()),
            Err(mistyped) => Err(TableError::Mistyped {
                table: self.table,
                column: self.column,
                found: mistyped.found,
                expected,
            }),
        }
    }
}

/// Cells with None for null.
pub(crate) type Read<T> = Result<Vec<Option<T>>, TableError>;

/// A value that fills one cell.
pub(crate) trait Atom: Sized + Clone {
    /// Reads a column; one that is missing reads as null.
    ///
    /// # Errors
    /// Where a type or a word is not the contract's.
    fn read(frame: &dyn Frame, place: Place) -> Read<Self>;

    /// The column of these cells.
    fn array<'a>(cells: &mut dyn Iterator<Item = Option<&'a Self>>) -> ArrayRef
    where
        Self: 'a;

    /// What a null reads as where the record has no Option; None: the record cannot do without.
    fn absent() -> Option<Self>;
}

/// A field of a record: a value, or an Option of one.
pub(crate) trait Cell: Sized {
    /// Reads a column.
    ///
    /// # Errors
    /// As [`Atom::read`], and where a null has no meaning.
    fn read(frame: &dyn Frame, place: Place) -> Result<Vec<Self>, TableError>;

    /// The column of these cells.
    fn array<'a>(cells: &mut dyn Iterator<Item = &'a Self>) -> ArrayRef
    where
        Self: 'a;
}

impl<T: Atom> Cell for Option<T> {
    fn read(frame: &dyn Frame, place: Place) -> Result<Vec<Self>, TableError> {
        T::read(frame, place)
    }

    fn array<'a>(cells: &mut dyn Iterator<Item = &'a Self>) -> ArrayRef
    where
        Self: 'a,
    {
        T::array(&mut cells.map(Option::as_ref))
    }
}

impl<T: Atom> Cell for T {
    fn read(frame: &dyn Frame, place: Place) -> Result<Vec<Self>, TableError> {
        let missing = |row| TableError::Missing {
            table: place.table,
            column: place.column,
            row,
        };
        let cells = <T as Atom>::read(frame, place)?.into_iter().enumerate();
        cells
            .map(|(row, cell)| cell.or_else(T::absent).ok_or_else(|| missing(row)))
            .collect()
    }

    fn array<'a>(cells: &mut dyn Iterator<Item = &'a Self>) -> ArrayRef
    where
        Self: 'a,
    {
        <T as Atom>::array(&mut cells.map(Some))
    }
}

/// Reads a text column through a parser.
fn read_texts<T: Clone>(
    frame: &dyn Frame,
    place: Place,
    expected: impl Fn() -> String,
    parse: impl Fn(&str) -> Option<T>,
) -> Read<T> {
    let texts = place.cells(frame.texts(place.column), "string", frame.height())?;
    let mut cells = Vec::with_capacity(texts.len());
    // Neighbouring rows mostly hold the same identifier or word: share it instead of parsing anew.
    let mut last: Option<(&str, T)> = None;
    for (row, text) in texts.into_iter().enumerate() {
        let Some(text) = text else {
            cells.push(None);
            continue;
        };
        let known = last
            .as_ref()
            .filter(|(known, _)| *known == text)
            .map(|(_, value)| value.clone());
        let value = known
            .or_else(|| parse(text))
            .ok_or_else(|| TableError::Unreadable {
                table: place.table,
                column: place.column,
                row,
                found: text.to_owned(),
                expected: expected(),
            })?;
        last = Some((text, value.clone()));
        cells.push(Some(value));
    }
    Ok(cells)
}

macro_rules! text_atoms {
    ($absent:expr => $($name:ty),+ $(,)?) => {$(
        impl Atom for $name {
            fn read(frame: &dyn Frame, place: Place) -> Read<Self> {
                read_texts(frame, place, String::new, |text| Some(Self::from(text)))
            }

            fn array<'a>(cells: &mut dyn Iterator<Item = Option<&'a Self>>) -> ArrayRef
    where
        Self: 'a,
    {
                Arc::new(cells.map(|cell| cell.map(|cell| cell.as_str())).collect::<StringArray>())
            }

            fn absent() -> Option<Self> {
                $absent
            }
        }
    )+};
}

text_atoms!(None => UnitId, SiteId, ReservoirId, OilType, RunId);
text_atoms!(Some(Self::new()) => String);

macro_rules! word_atoms {
    ($($name:ty),+ $(,)?) => {$(
        impl Atom for $name {
            fn read(frame: &dyn Frame, place: Place) -> Read<Self> {
                let words = || Self::ALL.iter().map(|word| word.as_str()).collect::<Vec<_>>().join(", ");
                read_texts(frame, place, words, Self::from_word)
            }

            fn array<'a>(cells: &mut dyn Iterator<Item = Option<&'a Self>>) -> ArrayRef
    where
        Self: 'a,
    {
                Arc::new(cells.map(|cell| cell.map(|cell| cell.as_str())).collect::<StringArray>())
            }

            fn absent() -> Option<Self> {
                None
            }
        }
    )+};
}

word_atoms!(
    PumpKind,
    SensorPlace,
    VolumeBasis,
    PcbStatus,
    MaintenanceAction,
    ReservoirAction,
    UnitEventKind,
    SamplePoint,
    Censor,
    BarometerBasis,
    Phase,
    PumpState,
    Cause,
    DaysStatus,
    LimitedBy,
    Regime,
    RunStatus,
    Basis,
    AlarmBasis,
    AlarmSide,
    AlarmStatus,
    ChangeStatus,
    Kind,
    Severity,
    FindingState,
    ForecastEnd,
);

/// Words joined by commas; none is an empty text.
impl Atom for Vec<String> {
    fn read(frame: &dyn Frame, place: Place) -> Read<Self> {
        read_texts(frame, place, String::new, |text| {
            let words = text
                .split(',')
                .map(str::trim)
                .filter(|word| !word.is_empty());
            Some(words.map(str::to_owned).collect())
        })
    }

    fn array<'a>(cells: &mut dyn Iterator<Item = Option<&'a Self>>) -> ArrayRef
    where
        Self: 'a,
    {
        Arc::new(
            cells
                .map(|cell| cell.map(|words| words.join(",")))
                .collect::<StringArray>(),
        )
    }

    fn absent() -> Option<Self> {
        Some(Self::new())
    }
}

impl Atom for Quarter {
    fn read(frame: &dyn Frame, place: Place) -> Read<Self> {
        let expected = || "a quarter such as 2026Q3".to_owned();
        read_texts(frame, place, expected, |text| text.parse().ok())
    }

    fn array<'a>(cells: &mut dyn Iterator<Item = Option<&'a Self>>) -> ArrayRef
    where
        Self: 'a,
    {
        Arc::new(
            cells
                .map(|cell| cell.map(ToString::to_string))
                .collect::<StringArray>(),
        )
    }

    fn absent() -> Option<Self> {
        None
    }
}

impl Atom for f64 {
    fn read(frame: &dyn Frame, place: Place) -> Read<Self> {
        place.cells(frame.reals(place.column), "double", frame.height())
    }

    fn array<'a>(cells: &mut dyn Iterator<Item = Option<&'a Self>>) -> ArrayRef
    where
        Self: 'a,
    {
        let finite = cells.map(|cell| cell.copied().filter(|value| value.is_finite()));
        Arc::new(finite.collect::<Float64Array>())
    }

    fn absent() -> Option<Self> {
        Some(Self::NAN)
    }
}

impl Atom for i64 {
    fn read(frame: &dyn Frame, place: Place) -> Read<Self> {
        place.cells(frame.ints(place.column), "64-bit integer", frame.height())
    }

    fn array<'a>(cells: &mut dyn Iterator<Item = Option<&'a Self>>) -> ArrayRef
    where
        Self: 'a,
    {
        Arc::new(cells.map(|cell| cell.copied()).collect::<Int64Array>())
    }

    fn absent() -> Option<Self> {
        Some(0)
    }
}

impl Atom for bool {
    fn read(frame: &dyn Frame, place: Place) -> Read<Self> {
        place.cells(frame.bools(place.column), "yes/no", frame.height())
    }

    fn array<'a>(cells: &mut dyn Iterator<Item = Option<&'a Self>>) -> ArrayRef
    where
        Self: 'a,
    {
        Arc::new(cells.map(|cell| cell.copied()).collect::<BooleanArray>())
    }

    fn absent() -> Option<Self> {
        Some(false)
    }
}

impl Atom for Stamp {
    fn read(frame: &dyn Frame, place: Place) -> Read<Self> {
        let expected = "timestamp in microseconds UTC";
        let micros = place.cells(frame.micros(place.column), expected, frame.height())?;
        Ok(micros
            .into_iter()
            .map(|cell| cell.map(Self::from_micros))
            .collect())
    }

    fn array<'a>(cells: &mut dyn Iterator<Item = Option<&'a Self>>) -> ArrayRef
    where
        Self: 'a,
    {
        let micros = cells.map(|cell| cell.map(|stamp| stamp.micros()));
        Arc::new(
            micros
                .collect::<TimestampMicrosecondArray>()
                .with_timezone("UTC"),
        )
    }

    fn absent() -> Option<Self> {
        None
    }
}

impl Atom for Day {
    fn read(frame: &dyn Frame, place: Place) -> Read<Self> {
        let days = place.cells(frame.days(place.column), "date", frame.height())?;
        Ok(days
            .into_iter()
            .map(|cell| cell.map(Self::from_number))
            .collect())
    }

    fn array<'a>(cells: &mut dyn Iterator<Item = Option<&'a Self>>) -> ArrayRef
    where
        Self: 'a,
    {
        Arc::new(
            cells
                .map(|cell| cell.map(|day| day.number()))
                .collect::<Date32Array>(),
        )
    }

    fn absent() -> Option<Self> {
        None
    }
}
