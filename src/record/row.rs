//! One field's readings as a row: every quantity in the order of [`quantities`].

use crate::fields::FieldPlace;
use crate::measures::{QUANTITY_COUNT, Readings, Value, quantities};

/// Every quantity of one field; `N` differs from the real number of quantities in tests only.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Row<const N: usize = QUANTITY_COUNT> {
    /// Which field.
    pub place: FieldPlace,
    /// In the order of [`quantities`]; `None` where not measurable.
    pub values: [Option<Value>; N],
}

impl From<&Readings> for Row {
    fn from(readings: &Readings) -> Self {
        let mut values = [None; QUANTITY_COUNT];
        for (value, quantity) in values.iter_mut().zip(quantities()) {
            *value = (quantity.read)(readings);
        }
        Self {
            place: readings.place,
            values,
        }
    }
}
