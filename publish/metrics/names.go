package metrics

// The names of the metrics: base units, _total on counters only.
const (
	nameForce         = "thimbled_force_newtons"
	namePressure      = "thimbled_pressure_pascals"
	namePeak          = "thimbled_peak_newtons"
	nameZero          = "thimbled_zero_offset_newtons"
	nameTare          = "thimbled_tare_newtons"
	nameReadingAge    = "thimbled_reading_age_seconds"
	nameUp            = "thimbled_instrument_up"
	namePollDuration  = "thimbled_poll_duration_seconds"
	namePollLateness  = "thimbled_poll_lateness_seconds"
	namePolls         = "thimbled_polls_total"
	namePollFailures  = "thimbled_poll_failures_total"
	nameMissed        = "thimbled_missed_polls_total"
	namePulls         = "thimbled_pulls_total"
	namePullVerdicts  = "thimbled_pull_verdicts_total"
	nameLastPull      = "thimbled_last_pull_end_timestamp_seconds"
	nameTests         = "thimbled_tests_total"
	nameRecords       = "thimbled_journal_records_total"
	nameSync          = "thimbled_journal_sync_seconds"
	nameJournalFailed = "thimbled_journal_failed"
	nameUnpublished   = "thimbled_unpublished_records"
	nameDropped       = "thimbled_readings_dropped_total"
	nameBroker        = "thimbled_broker_up"
	nameStepAge       = "thimbled_step_age_seconds"
	nameReady         = "thimbled_ready"
	nameCheck         = "thimbled_check_in_order"
	nameHold          = "thimbled_hold_seconds"
	nameAlarm         = "thimbled_alarm"
	nameAlarms        = "thimbled_alarms_total"
	nameRatio         = "thimbled_force_pressure_ratio"
	nameBuild         = "thimbled_build_info"
)

// The labels. None ever holds an item, a job or a person.
const (
	labelInstrument = "instrument"
	labelReason     = "reason" // the quality of a bad reading
	labelVerdict    = "verdict"
	labelCheck      = "check"
	labelAlarm      = "alarm"
	labelVersion    = "version"
	labelGo         = "goversion"
)

// Bounds of the classic buckets, in seconds.
var (
	durationBuckets = []float64{.001, .002, .005, .01, .02, .05, .1, .2, .5, 1, 2}
	latenessBuckets = []float64{.0001, .0002, .0005, .001, .0015, .002, .004, .01, .02, .05, .1, .5}
	syncBuckets     = []float64{.0005, .001, .002, .005, .01, .02, .05, .1, .2, .5, 1, 5}
)
