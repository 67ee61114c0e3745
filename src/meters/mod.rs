//! Hour-meter history of each machine: readings, resets, rollovers → hours at a date, as bounds.
