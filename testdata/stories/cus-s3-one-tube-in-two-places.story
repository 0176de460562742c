# CUS-S3 One tube in two places
# Common practice, no source
story "received in two laboratories five minutes apart"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N  kind=ward      assumed=20..24C
place CENTRAL kind=reception assumed=20..24C
place SOUTH   kind=reception assumed=20..24C
# thirty kilometres: the van takes 40 minutes
route VAN-1 from=CENTRAL to=SOUTH departs=12:00 takes=40m
request R-1 patient=P-7001 tube=TB260411 type=LIHEP-GEL tests=K
08:00Z collect TB260411 by=mira at=WARD-N on=H-09
08:10Z take TB260411 from=mira by=oskar at=WARD-N on=H-07
09:00Z receive TB260411 by=lena at=CENTRAL on=H-01
expect TB260411 doubt none
09:05Z receive TB260411 by=lena at=SOUTH on=H-02
expect answer recorded
09:05Z expect TB260411 doubt two-places
09:05Z expect TB260411 doubt impossible-travel
# both stay
09:05Z expect TB260411 facts Received=2
