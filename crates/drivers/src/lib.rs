//! Role traits spoken as SCPI by a dialect over a link
