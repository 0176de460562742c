# Common practice, no source
story "the courier scans a box he doesn't take and says so"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-17 kind=box
request R-1 patient=P-7001 tube=TB261029 type=LIHEP-GEL tests=K
08:00Z collect TB261029 by=mira at=WARD-N on=H-09
08:05Z pack TB261029 in=B-17 by=mira at=WARD-N on=H-09
08:20Z take B-17 from=mira by=oskar at=VAN on=H-07 id=t-1
08:20Z expect TB261029 holder oskar link=by-box
08:22Z void t-1 carrier=B-17 by=oskar at=VAN on=H-07 reason=wrong-box
expect answer recorded
08:22Z expect TB261029 holder mira at=WARD-N
08:22Z expect B-17 doubt none
# it stays readable and counts nowhere
08:22Z expect B-17 facts TakenOver=0
08:22Z expect B-17 facts Voided=1
