//! Runs the cases in the guest, one after the other, each on a freshly loaded driver.

use std::error::Error;
use std::fs::File;
use std::io::Write;
use std::panic::catch_unwind;
use std::path::Path;
use std::time::Instant;

use serde::{Deserialize, Serialize};

#[cfg(feature = "camera")]
use crate::cameras;
use crate::{cases, dashboard, driver, finding, program};

/// Where results go, one JSON object a line.
pub(crate) const RESULTS: &str = "results.jsonl";

/// A claim about the device source or the program on it; it panics where the claim does not hold, and else says what it saw.
pub(crate) struct Case {
    pub(crate) name: &'static str,
    pub(crate) run: fn() -> String,
}

/// How a case went.
#[derive(Debug, Serialize, Deserialize)]
pub(crate) struct CaseResult {
    pub(crate) case: String,
    pub(crate) held: bool,
    pub(crate) note: String,
    pub(crate) millis: u64,
}

macro_rules! cases {
    ($($(#[$only:meta])? $module:ident { $($name:ident),* $(,)? })*) => {
        /// All of them, by where they are.
        const CASES: &[&[Case]] =
            &[$($(#[$only])? &[$(Case { name: stringify!($name), run: $module::$name }),*]),*];
    };
}

cases! {
    cases {
        a_525_line_signal_opens_with_its_format,
        a_625_line_signal_opens_with_its_format,
        the_standard_of_the_signal_is_found,
        frames_through_the_loop_arrive_byte_for_byte,
        frames_of_625_lines_arrive_byte_for_byte,
        uyvy_frames_arrive_byte_for_byte,
        frames_woven_top_field_older_arrive_byte_for_byte,
        frames_woven_bottom_field_older_arrive_byte_for_byte,
        single_fields_arrive_byte_for_byte,
        dropped_frames_are_counted_exactly,
        dropped_single_fields_are_counted_exactly,
        frames_dropped_by_us_are_told_apart,
        alternate_fields_come_in_turn,
        sequential_layouts_hold_the_fields_of_the_woven_picture,
        frame_numbers_go_on_across_their_wrap,
        a_silent_device_is_reported_and_recovers,
        a_device_silent_from_the_start_is_reported_and_recovers,
        a_buffer_with_the_error_flag_is_damaged,
        a_fatal_error_ends_the_stream_and_reopening_works,
        a_device_that_vanishes_is_gone_and_reopening_works,
        the_input_state_follows_the_signal,
        a_second_reader_finds_the_device_busy,
        a_device_without_standards_opens,
        a_size_the_device_cannot_deliver_is_remarked,
        an_output_node_is_refused,
        an_unknown_input_is_refused_by_name,
        the_listing_shows_what_the_device_offers,
        changes_of_controls_and_signal_are_told,
        the_source_outlives_a_device_that_vanishes,
        the_source_outlives_a_fatal_error,
        the_source_outlives_a_clock_set_elsewhere,
        the_source_outlives_a_change_of_standard,
    }
    program {
        the_program_lists_the_device,
        the_program_measures_525_lines_as_offline,
        the_program_measures_625_lines_as_offline,
        the_program_measures_sequential_fields,
        the_program_measures_alternate_fields,
        a_second_program_finds_the_device_busy_and_the_first_ends_on_request,
        silence_and_a_lost_signal_become_events_and_the_program_goes_on,
        a_device_that_vanishes_is_an_event_and_the_pass_goes_on_where_it_would_have_been,
    }
    dashboard {
        a_control_stepped_at_the_dashboard_is_set_in_the_device_logged_and_set_back,
    }
    finding {
        levels_are_found_on_colour_bars_and_the_controls_set_back,
    }
    #[cfg(feature = "camera")]
    cameras {
        the_camera_interface_delivers_the_devices_pictures,
        the_program_measures_by_the_camera_interface,
    }
}

/// Every case whose name has `only` in it.
pub(crate) fn cases(only: &str) -> impl Iterator<Item = &'static Case> {
    let all = CASES.iter().copied().flatten();
    all.filter(move |case| case.name.contains(only))
}

/// Runs every case whose name has `only` in it.
pub(crate) fn run(share: &Path, only: &str) -> Result<(), Box<dyn Error>> {
    let mut results = File::create(share.join(RESULTS))?;
    let mut failed = 0;
    for case in self::cases(only) {
        let started = Instant::now();
        let outcome = catch_unwind(|| {
            driver::load();
            (case.run)()
        });
        let result = CaseResult {
            case: case.name.to_owned(),
            held: outcome.is_ok(),
            note: outcome.unwrap_or_else(|panic| panic_words(&*panic)),
            millis: started.elapsed().as_millis() as u64,
        };
        failed += usize::from(!result.held);
        writeln!(results, "{}", serde_json::to_string(&result)?)?;
    }
    if failed > 0 {
        return Err(format!("{failed} cases did not hold").into());
    }
    Ok(())
}

fn panic_words(panic: &(dyn std::any::Any + Send)) -> String {
    panic
        .downcast_ref::<String>()
        .map(String::as_str)
        .or_else(|| panic.downcast_ref::<&str>().copied())
        .unwrap_or("panicked")
        .to_owned()
}
