# Common practice, no source
story "the courier's phone speaks in the evening"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-5 kind=box
request R-1 patient=P-7001 tube=TB261005,TB261006 type=LIHEP-GEL tests=K
08:00Z collect TB261005 TB261006 by=mira at=WARD-N on=H-09
08:05Z pack TB261005 TB261006 in=B-5 by=mira at=WARD-N on=H-09
08:10Z take B-5 from=mira by=oskar at=VAN on=H-07 sent=16:00Z
08:15Z depart B-5 to=LAB mode=van by=oskar at=VAN on=H-07 sent=16:00Z
09:00Z arrive B-5 by=oskar at=LAB on=H-07 sent=16:00Z
09:05Z receive B-5 by=lena at=LAB on=H-01
expect answer recorded
expect B-5 facts TakenOver=1
09:10Z receive TB261005 TB261006 in=B-5 by=lena at=LAB on=H-01
# no carrying was told, so it is asked for; the limits don't wait for it
09:11Z expect TB261005 doubt leg-not-reported
09:11Z expect TB261005/K within-limits used=71m
09:20Z spin TB261005 TB261006 by=lena at=LAB on=H-01
09:32Z end-spin TB261005 TB261006 by=lena at=LAB on=H-01
# the queue arrives: nothing is asked any more, and no state is older than before
16:00Z expect TB261005 doubt none
16:00Z expect TB261006 doubt none
16:00Z expect B-5 doubt none
16:00Z expect B-5 facts TakenOver=2
16:00Z expect TB261005 holder LAB link=direct
16:00Z expect B-5 holder LAB
16:00Z expect carrier B-5 holds 0
16:00Z expect TB261005/K within-limits
16:00Z expect TB261005 flag none
