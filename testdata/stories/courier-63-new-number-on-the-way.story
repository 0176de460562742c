# Common practice, no source
story "it gets another number on the way and arrives under that"
rules fixture.yaml
zone UTC
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
route R-N from=WARD-N to=LAB departs=08:30 takes=40m
request R-1 patient=P-7001 tube=TB261630 type=LIHEP-GEL tests=K
08:00Z collect TB261630 by=mira at=WARD-N on=H-09
08:30Z take TB261630 from=mira by=oskar at=WARD-N on=H-07
08:35Z depart TB261630 route=R-N by=oskar at=VAN on=H-07
08:50Z relabel TB261630 as=TB261631 by=oskar with=lena at=VAN on=H-07 reason=explained
# due 09:15, late from 09:30
09:31Z expect TB261631 doubt late
09:31Z expect TB261630 doubt none
09:40Z receive TB261631 by=lena at=LAB on=H-01
09:40Z expect TB261631 doubt none
09:40Z expect TB261630 doubt none
