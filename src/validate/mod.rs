//! Published examples refitted, ours beside theirs.
