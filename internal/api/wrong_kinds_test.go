package api_test

// kinds of the fields by name, and by message and name where a name means
// something else there. They are written a second time, by hand: a check that is
// lost or loosened in the program must not be lost here too.
var kinds = map[string]string{
	"by": "caller", "from": "caller", "to": "caller", "with": "caller", "on_behalf_of": "caller", "reason": "free", "app": "code", "name": "free",
	"basis": "free", "owner": "free", "typed_at": "free", "details": "free", "text": "free", "say": "free", "closed_by": "free",
	"id": "label", "place": "label", "device": "label", "carrier": "label", "draw": "label", "patient": "label", "parent": "label",
	"request": "label", "logger": "label", "tube": "label", "tubes": "label", "new_draw": "label", "in": "label", "key": "label",
	"destination": "label",
	"scan_id":     "id", "batch": "id", "boot_id": "id", "causes": "id",
	"type": "code", "tests": "code", "test": "code", "how": "code", "priority": "code",
	"occurred_at": "instant", "as_of": "instant", "now": "instant", "until": "instant", "review": "instant", "in_force": "instant", "at": "instant",
	"step": "word", "mode": "word", "action": "word", "state": "word", "role": "word", "kind": "word", "fact": "word", "doubt": "word",
	"identify": "word", "oldest": "instant", "seen_at": "sound",
	"conditions": "condition", "zone": "zone", "departs": "hhmm", "symbology": "aim", "file": "file",
	"uncertainty": "celsius", "low": "celsius", "high": "celsius", "celsius": "celsius",

	"Scan.id": "id", "Readings.id": "id", "VoidFactRequest.id": "id", "ExplainDoubtRequest.id": "word", "TakeFlagRequest.id": "id",
	"OverrideFlagRequest.id": "id", "ActFlagRequest.id": "id", "PutAsideFlagRequest.id": "id", "AdoptRulesRequest.id": "id",
	"Route.from": "label", "Route.to": "label", "Programme.tubes": "code", "Rotor.at": "label",
	"AttestedScan.key_id": "id", "key_id": "sound", "badge": "free", "pin": "free", "account": "free", "code": "invite", "scopes": "word", "loggers": "label",
	"RevokeTokenRequest.id": "id", "birth_date": "date", "sex": "word", "bed": "free", "family": "free", "given": "free", "keep": "label", "gone": "label", "reference": "word", "row": "word", "why": "word",
	"names": "word", "check": "word", "letter_case": "word", "zeros": "word", "wanted": "word", "ward": "label", "issuer": "free", "pattern": "free",
	"separator": "character", "NumberScheme.id": "free", "NumberScheme.in": "free", "NumberScheme.ward": "sound", "warnings": "sound",
	"date_order": "word", "unit": "word", "delimiter": "word", "decimal": "word", "doubled_hour": "word", "faults": "free", "second": "free",
	"true_time": "instant", "ImportReadingsRequest.id": "id", "ImportReadingsRequest.file": "readings", "ImportReadingsRequest.zone": "offset",
	"Logger.zone": "offset", "ClockSighting.logger": "instant", "ListRulesRequest.test": "free",
	"likely": "sound", "since": "sound", "closed_at": "sound", "closed_by_person": "sound", "last_holder": "sound", "last_place": "sound", "last_seen": "sound",
	"LoggerFile.id": "label", "LoggerFile.zone": "zone", "LoggerFile.hash": "sound", "LoggerFile.first": "sound", "LoggerFile.last": "sound",
}

// mostBytes is how long bytes may be where that is not a label's length.
var mostBytes = map[string]int{
	"AttestedScan.scan": 16 << 10, "AttestedScan.private": 4 << 10, "AttestedScan.signature": 64,
	"EnrolDeviceRequest.public_key": 256, "EnrolDeviceRequest.proof": 128,
}

// outOfRange gives numbers just outside; none for a field that is not read.
var outOfRange = map[string][]int64{
	"most_draw_permille": {-1, 101}, "waiting": {-1}, "slots": {-1, 1001}, "radius_mm": {-1, 1001}, "most_per_minute": {-1, 200_001},
	"g": {-1, 1_000_001}, "within_g": {-1, 1_000_001}, "minutes": {-1, 1441}, "handling_minutes": {-1, 1441},
	"device_seq": {-1}, "offset_ms": {-316224000001 * 1, 316224000001}, "uncertainty_ms": {-1, 31622400001}, "monotonic_ms": {-1},
	"episode": {-1, 1<<40 + 1}, "after": {1<<60 + 1}, "bench_spin_minutes": {-1, 1441}, "every_seconds": {-1, 86401},
	"time_column": {-1, 1001}, "clock_column": {-1, 1001}, "temperature_column": {-1, 1001},
	"LoggerFile.values": {}, "LoggerFile.faults": {},
	"hold_seconds": {-1, 86401}, "reuse_hours": {-1, 100*366*24 + 1}, "max_gap_seconds": {-1, 86401}, "takes_minutes": {-1, 10081}, "days": {-1, 367}, "Device.offset_ms": {},
}
