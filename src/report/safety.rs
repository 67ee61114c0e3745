//! The caution that goes with every word about inspecting or changing a part.

/// The caution that stands wherever output tells someone to inspect or change a part.
pub const SAFETY: &str = "Before anyone inspects or changes a part: shut off and isolate the water \
and air, and let all pressure out. Follow the machine maker's manual and the rules of the site; \
this is work for trained people only. A forecast is no clearance to keep a machine running. Local \
codes and licensed practice come first.";

/// The same in one line, for beside a list that names parts to inspect or change; [`SAFETY`] stands in full
/// on the same page or output.
pub const SAFETY_IN_SHORT: &str = "Before looking at or changing any of these: isolate water and air and \
let all pressure out; trained people only; see the caution in full.";
