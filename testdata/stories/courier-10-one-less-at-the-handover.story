# Common practice, no source
story "three scanned into the box, two counted"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
carrier B-12 kind=box
request R-1 patient=P-7001 tube=TB261016,TB261017,TB261018 type=LIHEP-GEL tests=K
08:00Z collect TB261016 TB261017 TB261018 by=mira at=WARD-N on=H-09
08:05Z pack TB261016 TB261017 TB261018 in=B-12 by=mira at=WARD-N on=H-09
08:15Z unpack TB261018 in=B-12 by=mira at=WARD-N on=H-10 sent=09:00Z
08:20Z take B-12 from=mira by=oskar at=VAN on=H-07 count=2
expect answer recorded
08:20Z expect B-12 doubt missing
# nobody knows yet which one it is
08:20Z expect TB261018 doubt none
# the ward's other phone took one out before
09:00Z expect B-12 doubt none
09:00Z expect B-12 facts DoubtRaised=1
09:00Z expect B-12 facts DoubtClosed=1
09:00Z expect TB261018 holder mira at=WARD-N
09:00Z expect TB261016 holder oskar link=by-box
09:00Z expect carrier B-12 holds 2
