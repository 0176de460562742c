# IDN-S5 One number on two tubes
# Common practice; Raymond 2024, https://jcp.bmj.com/content/early/2024/05/20/jcp-2024-209544
story "a label printed twice"
rules fixture.yaml
zone Europe/Berlin
day 2026-11-24
place WARD-N kind=ward      assumed=20..24C
place VAN    kind=vehicle   assumed=18..25C
place LAB    kind=reception assumed=20..24C
request R-1 patient=P-7001 tube=TB260118 type=EDTA tests=CBC
08:02Z collect TB260118 type=EDTA by=mira at=WARD-N on=H-09
expect answer recorded
expect TB260118 doubt none
# the second phone was offline: it tells what already happened
08:03Z collect TB260118 type=LIHEP-GEL by=oskar at=WARD-N on=H-07 sent=08:10Z
expect answer recorded
expect TB260118 facts Collected=2
08:10Z expect TB260118 doubt one-number-two-tubes
08:20Z rack TB260118 in=R-2 by=lena at=LAB on=H-01
expect answer refused held
expect TB260118 facts Packed=0
08:30Z split TB260118 into=TB260118A,TB260118B by=lena at=LAB on=H-01 reason=label-printed-twice
expect answer recorded
08:31Z expect TB260118 doubt none
expect TB260118 facts SplitInto=1
