package api

import (
	"specimen.example/custody/internal/auth"
	"specimen.example/custody/internal/event"
)

// Who may call what where people sign in: common practice, no source. A laboratory
// gives people roles; what a role may do is the same everywhere. Steps of scans are
// looked at one by one by custody, at the scan's own place.
var (
	everybody = event.Roles()
	people    = []string{event.RoleCollector, event.RoleCourier, event.RoleReception, event.RoleScientist, event.RoleQuality}
	atHand    = []string{event.RoleCollector, event.RoleCourier, event.RoleReception, event.RoleScientist}
	ordering  = []string{event.RoleCollector, event.RoleReception, event.RoleScientist}
	limits    = []string{event.RoleScientist}
	houseKeep = []string{event.RoleEngineer}
	assuming  = []string{event.RoleEngineer, event.RoleScientist, event.RoleQuality} // who may answer for a declared range
	provers   = []string{event.RoleQuality}
	bySteps   = auth.Rule{Roles: everybody, Here: true, Scopes: []auth.Scope{auth.ScopeScans}}

	reads     = auth.Rule{Roles: everybody, Here: true, Scopes: []auth.Scope{auth.ScopeRead, auth.ScopeScans}}
	orders    = auth.Rule{Roles: ordering, Here: true, Scopes: []auth.Scope{auth.ScopeRequests}}
	directory = auth.Rule{Roles: houseKeep, Scopes: []auth.Scope{auth.ScopeDirectory}}
	assumed   = auth.Rule{Roles: assuming, Scopes: []auth.Scope{auth.ScopeDirectory}}
	keepers   = auth.Rule{Roles: houseKeep}
)

// who says for every method who may call it, by service and method. A method without a
// rule is for nobody, and a test fails.
var who = map[string]auth.Rule{
	"Scans/RecordScans":    bySteps,
	"Scans/RecordReadings": {Roles: append([]string{event.RoleEngineer}, atHand...), Here: true, Scopes: []auth.Scope{auth.ScopeReadings}},
	"Scans/StreamReadings": {Roles: append([]string{event.RoleEngineer}, atHand...), Here: true, Scopes: []auth.Scope{auth.ScopeReadings}},
	"Scans/ImportReadings": {Roles: append([]string{event.RoleEngineer}, atHand...), Here: true, Scopes: []auth.Scope{auth.ScopeReadings}},
	"Scans/VoidFact":       bySteps,
	"Scans/ExplainDoubt":   bySteps,
	"Scans/CountFacts":     reads,
	"Scans/SetClock":       keepers,

	"Requests/PlaceRequest":  orders,
	"Requests/GetRequest":    {Roles: everybody, Here: true, Scopes: []auth.Scope{auth.ScopeRead, auth.ScopeRequests, auth.ScopeScans}},
	"Requests/AddTest":       orders,
	"Requests/WithdrawTest":  orders,
	"Requests/CancelRequest": orders,

	"Tubes/GetTube":       reads,
	"Tubes/ExplainTest":   reads,
	"Tubes/GetDraw":       reads,
	"Tubes/AskSample":     bySteps,
	"Tubes/DeclineSample": bySteps,
	"Tubes/SampleDone":    bySteps,
	"Tubes/GetContents":   reads,

	"Directory/PutPlace":   assumed,
	"Directory/GetPlace":   reads,
	"Directory/PutCarrier": assumed,
	"Directory/GetCarrier": reads,
	"Directory/PutLogger":  assumed,
	"Directory/GetLogger":  reads,
	"Directory/PutPerson":  keepers,
	"Directory/GetPerson":  {Roles: []string{event.RoleEngineer, event.RoleQuality}},
	"Directory/PutDevice":  keepers,
	"Directory/GetDevice":  {Roles: everybody, Here: true, Device: true, Scopes: []auth.Scope{auth.ScopeRead}},
	"Directory/PutRoute":   directory,
	"Directory/GetRoute":   reads,
	"Directory/PutSchemes": directory,
	"Directory/GetSchemes": reads,
	"Directory/ReadLabel":  {Roles: everybody, Here: true, Device: true, Scopes: []auth.Scope{auth.ScopeRead, auth.ScopeScans}},

	"Flags/ListFlags":    {Roles: people, Here: true, Device: true, Scopes: []auth.Scope{auth.ScopeRead}},
	"Flags/WatchFlags":   {Roles: people, Here: true, Device: true, Scopes: []auth.Scope{auth.ScopeRead}},
	"Flags/TakeFlag":     bySteps,
	"Flags/OverrideFlag": bySteps,
	"Flags/ActFlag":      bySteps,
	"Flags/PutAsideFlag": bySteps,

	"Rules/ListRules":  reads,
	"Rules/CheckRules": {Roles: []string{event.RoleScientist, event.RoleQuality}, Scopes: []auth.Scope{auth.ScopeRead}},
	"Rules/AdoptRules": {Roles: limits},

	"Patients/WritePatient":  {Roles: ordering, Here: true, Scopes: []auth.Scope{auth.ScopeIdentity}},
	"Patients/LookPatient":   {Roles: []string{event.RoleCollector, event.RoleReception, event.RoleScientist, event.RoleQuality}, Here: true, Scopes: []auth.Scope{auth.ScopeIdentity}},
	"Patients/WorkList":      {Roles: []string{event.RoleCollector, event.RoleReception}, Here: true},
	"Patients/MergePatients": {Roles: []string{event.RoleReception, event.RoleQuality}, Here: true, Scopes: []auth.Scope{auth.ScopeIdentity}},
	"Patients/ErasePatient":  {Roles: provers},
	"Patients/ListViews":     {Roles: provers},

	"Phones/GetWork":    {Roles: []string{event.RoleCollector, event.RoleReception}, Here: true},
	"Phones/GetRound":   {Roles: atHand, Here: true, Scopes: []auth.Scope{auth.ScopeRead, auth.ScopeScans}},
	"Phones/TellPhone":  {Roles: everybody, Here: true, Device: true, Scopes: []auth.Scope{auth.ScopeScans}},
	"Phones/ListPhones": {Roles: []string{event.RoleEngineer, event.RoleQuality, event.RoleReception}},

	"Desk/GetSpins":      {Roles: []string{event.RoleCollector, event.RoleReception, event.RoleScientist}, Here: true, Scopes: []auth.Scope{auth.ScopeRead}},
	"Desk/ListSamples":   {Roles: []string{event.RoleCollector, event.RoleReception, event.RoleScientist, event.RoleQuality}, Here: true, Scopes: []auth.Scope{auth.ScopeRead}},
	"Desk/PutProgrammes": assumed,
	"Desk/GetProgrammes": reads,

	"SignIns/WhoAmI":       {Roles: everybody, Here: true, Device: true, Scopes: auth.Scopes()},
	"SignIns/SetSignIn":    keepers,
	"SignIns/GetSignIn":    keepers,
	"SignIns/ReleaseLock":  keepers,
	"SignIns/InviteDevice": keepers,
	"SignIns/EnrolDevice":  {Open: true}, // its code is what lets it in
	"SignIns/MakeToken":    keepers,
	"SignIns/ListTokens":   keepers,
	"SignIns/RevokeToken":  keepers,
}

// actsForOthers are the methods whose field "by" may name somebody else than the one
// who is signed in: what an ordering system or a sheet of paper says.
var actsForOthers = map[string]bool{"Requests/PlaceRequest": true}
