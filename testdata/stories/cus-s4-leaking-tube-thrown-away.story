# CUS-S4 Leaking tube thrown away
# Common practice, no source
story "thrown away at 09:20"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB260412 type=LIHEP-GEL tests=K
09:00Z collect TB260412 by=mira at=WARD-N on=H-09
09:05Z take TB260412 from=mira by=oskar at=VAN on=H-07
09:15Z receive TB260412 by=lena at=LAB on=H-01
09:20Z discard TB260412 by=lena at=LAB on=H-01 reason=leak
expect answer recorded
09:21Z expect TB260412 flag ask-new-sample
09:50Z rack TB260412 in=R-2 by=lena at=LAB on=H-01
expect answer refused disposed
expect TB260412 facts Packed=0
expect TB260412 doubt none
# what already happened is recorded, with a doubt
09:40Z see TB260412 by=oskar at=VAN on=H-07 sent=10:00Z
expect answer recorded
10:00Z expect TB260412 doubt after-disposal
10:00Z expect TB260412 facts Disposed=1
