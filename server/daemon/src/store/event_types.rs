//! What can be told: every type of event, in one table.

/// Makes the enum, its names and what each tells of one table.
macro_rules! event_types {
    ($($variant:ident $name:literal $tells:literal;)*) => {
        /// A type of event.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum EventType {
            $(#[doc = $tells] $variant,)*
        }

        impl EventType {
            /// Every type.
            pub const ALL: &[Self] = &[$(Self::$variant),*];

            /// The type's name in events, subscriptions and filters.
            #[must_use]
            pub const fn as_str(self) -> &'static str {
                match self { $(Self::$variant => $name,)* }
            }

            /// What it tells, in words.
            #[must_use]
            pub const fn tells(self) -> &'static str {
                match self { $(Self::$variant => $tells,)* }
            }
        }
    };
}

event_types! {
    CarStop "car.stop" "A confirmed P0AA6 or P0A7E: stop the car at once.";
    CarStopLifted "car.stop-lifted" "The code that stopped the car is no longer confirmed.";
    CarBreakdown "car.breakdown" "The car broke down.";
    CarReport "car.driver-report" "A driver reported a symptom.";
    CarOffRoad "car.off-road" "The car was taken off the road.";
    CarHeld "car.held" "A confirmed P0AA6 or P0A7E took the car off the road by itself, until somebody returns it.";
    CarReturned "car.returned" "The car was returned to service.";
    CarArrived "car.arrived" "The car came from another depot; told to the one it came to.";
    CarLeft "car.left" "The car went to another depot; told to the one it left.";
    CarRetired "car.retired" "The car was retired.";
    ForecastChanged "forecast.changed" "The band of a forecast changed, or its due date moved by events.notable_days or more.";
    OrderRaised "work-order.raised" "A work order was raised.";
    OrderJoined "work-order.joined" "A further reason joined an open order.";
    OrderReferred "work-order.referred" "The shop gave the order a number of its own, or took it away.";
    OrderAccepted "work-order.accepted" "Somebody took the order.";
    OrderDeclined "work-order.declined" "Somebody declined the order.";
    OrderHandedOver "work-order.handed-over" "The order went from one person to another.";
    OrderStarted "work-order.started" "Work began.";
    OrderStepRecorded "work-order.step-recorded" "A step of the order was recorded.";
    OrderPaused "work-order.paused" "Work rests.";
    OrderResumed "work-order.resumed" "Work goes on.";
    OrderPlanned "work-order.planned" "The order has a day, or another one.";
    OrderMissed "work-order.missed" "The planned day went by.";
    OrderSlotConfirmed "work-order.slot-confirmed" "The dispatcher brings the car as planned.";
    OrderSlotRefused "work-order.slot-refused" "The dispatcher cannot spare the car then.";
    OrderExpectedBack "work-order.expected-back" "Work takes longer; when the car will be back.";
    OrderCompleted "work-order.completed" "The order was closed with an outcome.";
    OrderCancelled "work-order.cancelled" "The order was closed without work.";
    OrderReopened "work-order.reopened" "A closed order is open again.";
    PackReplaced "pack.replaced" "A pack came out of a car and another went in.";
    GearOverdue "gear.overdue" "The last day on which a piece of gear might be used has gone by.";
    PartReceived "part.received" "Parts came into stock, or are on their way.";
    CoreChanged "core.changed" "Something was noted of an old pack that goes back.";
    WebhookPing "webhook.ping" "A test, sent to one subscription that asked for it.";
}

/// What an act on a work order tells, by its action in the journal.
const OF_ACTION: &[(&str, EventType)] = &[
    ("work-order raise", EventType::OrderRaised),
    ("work-order join", EventType::OrderJoined),
    ("work-order refer", EventType::OrderReferred),
    ("work-order accept", EventType::OrderAccepted),
    ("work-order decline", EventType::OrderDeclined),
    ("work-order hand-over", EventType::OrderHandedOver),
    ("work-order start", EventType::OrderStarted),
    ("work-order step", EventType::OrderStepRecorded),
    ("work-order pause", EventType::OrderPaused),
    ("work-order resume", EventType::OrderResumed),
    ("work-order plan", EventType::OrderPlanned),
    ("work-order missed", EventType::OrderMissed),
    ("work-order confirm-slot", EventType::OrderSlotConfirmed),
    ("work-order refuse-slot", EventType::OrderSlotRefused),
    ("work-order expected-back", EventType::OrderExpectedBack),
    ("work-order complete", EventType::OrderCompleted),
    ("work-order cancel", EventType::OrderCancelled),
    ("work-order reopen", EventType::OrderReopened),
];

impl EventType {
    /// Reads a type's name.
    #[must_use]
    pub fn parse(text: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|event| event.as_str() == text)
    }

    /// What an action of the journal on a work order tells.
    pub(super) fn of_order_action(action: &str) -> Option<Self> {
        OF_ACTION.iter().find(|(known, _)| *known == action).map(|(_, event)| *event)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_read_as_they_are_written() {
        for event in EventType::ALL {
            assert_eq!(EventType::parse(event.as_str()), Some(*event));
        }
        let mut names: Vec<&str> = EventType::ALL.iter().map(|event| event.as_str()).collect();
        names.sort_unstable();
        names.dedup();
        assert_eq!(names.len(), EventType::ALL.len());
        assert_eq!(EventType::parse("car"), None);
    }

    #[test]
    fn every_type_of_an_order_comes_of_an_action() {
        let of_orders = EventType::ALL.iter().filter(|event| event.as_str().starts_with("work-order."));
        for event in of_orders {
            assert!(OF_ACTION.iter().any(|(_, of)| of == event), "{event:?}");
        }
    }
}
