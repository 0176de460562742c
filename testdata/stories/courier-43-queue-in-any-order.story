# Common practice, no source
story "arrival, departure and pick-up reach the server backwards"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
place QUAY   kind=hatch     assumed=15..24C
route V-1 from=WARD-N to=QUAY takes=20m
carrier B-43 kind=box
request R-1 patient=P-7001 tube=TB261070 type=LIHEP-GEL tests=K
08:00Z collect TB261070 by=mira at=WARD-N on=H-09
08:05Z pack TB261070 in=B-43 by=mira at=WARD-N on=H-09
08:10Z take B-43 from=mira by=oskar at=WARD-N on=H-07 sent=12:02Z
08:15Z depart B-43 route=V-1 mode=van by=oskar at=WARD-N on=H-07 sent=12:01Z
08:40Z arrive B-43 by=oskar at=QUAY on=H-07 sent=12:00Z
09:00Z receive B-43 by=lena at=LAB on=H-01
09:02Z receive TB261070 in=B-43 by=lena at=LAB on=H-01
09:02Z expect TB261070 doubt leg-not-reported
12:02Z expect TB261070 doubt none
12:02Z expect B-43 doubt none
12:02Z expect B-43 holder LAB at=LAB
12:02Z expect TB261070 holder LAB link=direct
12:02Z expect B-43 facts Departed=1
12:02Z expect B-43 facts TakenOver=2
