# Common practice, no source
story "the doctor wants nothing any more, the tube still travels"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
carrier B-49 kind=box
request R-1 patient=P-7001 tube=TB261077 type=LIHEP-GEL tests=GLU
08:00Z collect TB261077 by=mira at=WARD-N on=H-09
08:05Z pack TB261077 in=B-49 by=mira at=WARD-N on=H-09
08:10Z take B-49 from=mira by=oskar at=VAN on=H-07
09:05Z expect TB261077/GLU past-limit reason=time
09:05Z expect TB261077 flag ask-new-sample
09:10Z cancel-request R-1 by=mira at=WARD-N on=H-09 reason=patient-went-home
expect answer recorded
09:10Z expect TB261077 flag none
09:10Z expect TB261077 no-limit-adopted reason=custody-only
09:30Z receive B-49 from=oskar by=lena at=LAB on=H-01
09:30Z expect TB261077 holder LAB
09:30Z expect TB261077 doubt none
