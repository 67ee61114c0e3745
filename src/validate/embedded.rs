//! The datasets as part of the program, so that an installed binary can check itself.

use super::{Dataset, DatasetError};

macro_rules! datasets {
    ($($id:literal),* $(,)?) => {
        [$((
            $id,
            include_str!(concat!("../../datasets/", $id, "/expected.json")),
            include_str!(concat!("../../datasets/", $id, "/data.csv")),
        )),*]
    };
}

const ALL: [(&str, &str, &str); 31] = datasets![
    "age_replacement_open",
    "aircraft_components",
    "aml",
    "ball_bearings",
    "ball_bearings_3p",
    "bearing_cage",
    "bus_motor_1",
    "bus_motor_2",
    "channing_men",
    "device_g",
    "freireich_6mp",
    "genfan",
    "heat_exchanger",
    "ifluid",
    "imotor",
    "lung",
    "nist_20units",
    "nist_growth",
    "ovarian",
    "pivot_tables_open",
    "ranks_open",
    "rats_dmba_1",
    "renewal_counts_open",
    "renewal_delayed_open",
    "renewal_open",
    "residual_life_open",
    "stock_fleet_open",
    "stock_poisson_negbin_open",
    "turbine",
    "valve_seats",
    "zero_fail_open",
];

pub(super) fn all() -> Result<Vec<Dataset>, DatasetError> {
    ALL.iter()
        .map(|(id, expected, data)| Dataset::from_text(id, expected, data))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_folder_of_datasets_is_embedded_as_it_stands() {
        let folder = std::path::Path::new(env!("CARGO_MANIFEST_DIR")).join("datasets");
        assert_eq!(all().unwrap(), Dataset::read_all(&folder).unwrap());
    }
}
