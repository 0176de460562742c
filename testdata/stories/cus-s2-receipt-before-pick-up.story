# CUS-S2 Receipt reaches the server before pick-up
# https://github.com/mozilla/fxa/issues/3446
story "the courier was offline"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB260410 type=LIHEP-GEL tests=K
09:00Z collect TB260410 by=mira at=WARD-N on=H-09
09:10Z take TB260410 from=mira by=oskar at=VAN on=H-07 sent=10:25Z
10:00Z receive TB260410 by=lena at=LAB on=H-01
expect TB260410 facts TakenOver=0
10:01Z expect TB260410 doubt leg-not-reported
10:01Z expect TB260410 facts DoubtRaised=1
10:25Z expect TB260410 doubt none
10:25Z expect TB260410 facts TakenOver=1
# the notice closed itself and stays in the history
10:25Z expect TB260410 facts DoubtRaised=1
10:25Z expect TB260410 facts DoubtClosed=1
10:25Z expect TB260410/K within-limits used=85m
